"""What the name of an exported stem says: instrument, role, microphone position.

*Conventions*: a name is cut into lower-case words where it changes from letters to digits, from
small to large letters, or at any sign: "Vln1-CLOSE" is vln, 1, close.

`words_of`: the cut. `find`: the longest phrase of a vocabulary in a list of words.
`whole_position`: a microphone position. `takes`: words that only count exports. `POSITIONS`: words
for microphone positions; `SHORT_POSITIONS` count only where a sister file has another one.

Sources
-------
Words and abbreviations: common practice, no source. Those of sections and roles are in `configs/`.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache

POSITIONS: dict[str, tuple[str, ...]] = {
    "close": ("close", "close mic", "close mics", "closes", "spot", "spots", "spot mic", "near"),
    "tree": ("tree", "tree mics", "main mics", "mains", "main array", "main pair", "ortf"),
    "outriggers": ("outriggers", "outrigger", "outrigs", "outrig", "wides", "flanks", "flank"),
    "hall": (
        *("hall", "ambient", "ambience", "amb", "room", "rooms", "far", "rear"),
        *("surround", "surrounds", "surr", "gallery", "balcony"),
    ),
    "stage": ("stage",),
}
"""The four that a dry track has too, from near to far, and the stage."""
SHORT_POSITIONS: dict[str, tuple[str, ...]] = {
    "close": ("c", "cl", "cm", "clo", "cls", "s", "sp", "n", "nr"),
    "tree": ("t", "tr", "main", "m", "mn", "mid", "middle", "ab", "xy"),
    "outriggers": ("o", "or", "out", "outs", "og", "w", "wide", "otr"),
    "hall": ("h", "a", "am", "r", "rm", "f", "sur", "room mic"),
    "stage": ("stg", "st"),
    "mix": ("mix",),
}
DISTANCES = {"near", "close", "closes", "mid", "middle", "far", "rear"}
"""Words that say how far a microphone is; beside one that says which array it is, that one wins."""
BESIDE = {"main", "mid", "middle", "wide", "out"}
"""Short words that belong to the position where they touch a long one: "far hall", "mid tree"."""
ONLY_MIX = {
    *("mix", "master", "fullmix", "mixdown", "click", "metronome", "guide", "temp"),
    *("reference", "ref"),
}
NO_TRACK = ONLY_MIX | {"full", "stereo", "print", "rough", "stem", "stems", "dry", "wet"}
"""A file with no other words than these, one of the first kind, is a mix or a click, no layer."""
ROMAN = {"i": "1", "ii": "2"}
COUNTED = ("v", "horn", "hörn", "geige", "fl", "ob", "cl", "tr", "cor", "po")
"""Beginnings of words after which I and II are numbers."""
TAKES = {"take", "takes", "tk", "t", "v", "ver", "version", "rev", "prise", "toma", "ripresa"}
"""Words that, with a number behind them, say which export this is."""
KINDS = {
    "french": {
        *(
            "violons",
            "violon",
            "violoncelles",
            "violoncelle",
            "contrebasses",
            "contrebasse",
            "cors",
        ),
        *("cordes", "bois", "cuivres", "hautbois", "clarinettes", "bassons", "trompettes"),
        *("flutes", "harpe", "caisse", "cymbales"),
    },
    "german": {
        *("geigen", "geige", "violinen", "kontrabasse", "kontrabass", "basse", "horner", "horn"),
        *("trompeten", "posaunen", "floten", "klarinetten", "fagotte", "streicher", "holz"),
        *("blech", "pauken", "schlagzeug", "harfe"),
    },
    "spanish": {
        *("violines", "violonchelos", "violoncelos", "chelos", "contrabajos", "trompas"),
        *("trompetas", "trombones", "flautas", "clarinetes", "fagotes", "cuerdas", "maderas"),
        *("metales", "platillos", "caja", "bombo", "arpa"),
    },
    "voices": {
        *("choir", "chorus", "chor", "coro", "choeur", "choeurs", "vox", "voices", "voix", "voci"),
        *("soprano", "sopranos", "soprani", "sopran", "tenor", "tenors", "tenore", "tenori"),
        *("tenores", "vocals", "stimmen", "voces"),
    },
}
"""Words, without accents, that show which language or kind the names around are."""
AMBIGUOUS = {
    "alto": {"french": "violas", "voices": "women"},
    "altos": {"french": "violas", "voices": "women"},
    "alto solo": {"french": "soloist", "voices": "solo_voice"},
    "br": {"german": "violas"},
    "timbales": {"french": "timpani", "spanish": "timpani"},
}
"""Words that stand for several sections: which one among which names. The first found counts."""
SUNG_OR_BOWED = {"basses", "bassi", "bass", "bässe", "baesse"}
"""Men where the folder or the name itself speaks of voices, low strings where it does not."""
LEFT = {"l", "left", "lt", "lft", "links", "gauche", "sinistra", "izquierda"}
RIGHT = {"r", "right", "rt", "rgt", "rechts", "droite", "destra", "derecha"}
BOUNDARY = re.compile(r"(?<=[a-zß-öø-ÿ])(?=[A-ZÀ-Þ])|(?<=[A-Z]{2})(?=[A-Z][a-z]{2})")
WORD = re.compile(r"[^\W\d_]+|\d+")
JOINED_LETTERS = 5
"""A phrase of this many letters may be written as one word."""
SURE_LETTERS = 4
"""A word of this many letters is hardly there by chance."""


@dataclass(frozen=True, slots=True)
class Word:
    """One word of a name, lower case, and where it stands in the name."""

    text: str
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Match:
    """What a phrase stands for, which words it covers, and how sure that is."""

    meaning: str
    first: int
    last: int
    phrase: str

    @property
    def sure(self) -> str:
        """Say how sure the match is: long words are, abbreviations hardly."""
        letters = sum(character.isalpha() for character in self.phrase)
        return "sure" if letters >= SURE_LETTERS else "likely"


def words_of(name: str) -> list[Word]:
    """Cut a name into words.

    Examples
    --------
    >>> [word.text for word in words_of("02_VlnII-CloseMic")]
    ['02', 'vln', '2', 'close', 'mic']
    """
    name = unicodedata.normalize("NFC", name)
    cuts = [0, *(match.start() for match in BOUNDARY.finditer(name)), len(name)]
    words: list[Word] = []
    for begin, end in zip(cuts[:-1], cuts[1:], strict=True):
        for match in WORD.finditer(name, begin, end):
            text = match.group().lower()
            if words and words[-1].text.startswith(COUNTED):
                text = ROMAN.get(text, text)
            words.append(Word(text, match.start(), match.end()))
    return words


def _places(given: list[str], parts: list[str], letters: int) -> Iterator[tuple[int, int]]:
    """Find where the words of a phrase stand, apart or written as one: "strlo" is "str lo"."""
    for first in range(len(given) - len(parts) + 1):
        if given[first : first + len(parts)] == parts:
            yield first, first + len(parts)
    joined = "".join(parts)
    if len(parts) > 1 and letters == len(joined) >= JOINED_LETTERS:
        yield from ((index, index + 1) for index, word in enumerate(given) if word == joined)


@cache
def _phrase_words(phrase: str) -> tuple[list[str], list[str]]:
    """Words of a phrase without accents, and as they are written."""
    written = [plain(word.text) for word in words_of(phrase)]
    return [unaccented(word) for word in written], written


def find(words: Iterable[str], vocabulary: Mapping[str, Iterable[str]]) -> Match | None:
    """Find the phrase of a vocabulary with the most letters, then words, then nearest the start.

    Accents may be missing; a word with the same accents goes before one without.

    Parameters
    ----------
    words : iterable of str
        Lower-case words of a name.
    vocabulary : mapping
        Meaning to phrases of one or more words.

    Returns
    -------
    Match or None
    """
    raw = list(words)
    exact = [plain(word) for word in raw]
    given = [unaccented(word) for word in exact]
    best: tuple[tuple[int, int, bool, bool, int], Match] | None = None
    for meaning, phrases in vocabulary.items():
        for phrase in (meaning.replace("_", " "), *phrases):
            parts, written = _phrase_words(phrase)
            letters = sum(map(str.isalpha, phrase))
            for first, last in _places(given, parts, letters):
                counted = written[0].isdigit()
                if counted and raw[first].startswith("0"):
                    continue  # "02 Violons" is the second file
                same = exact[first:last] == written
                rank = (letters, len(parts), same, not counted, -first)
                if best is None or rank > best[0]:
                    best = (rank, Match(meaning, first, last, phrase))
    return None if best is None else best[1]


def find_position(words: list[str], vocabulary: Mapping[str, Iterable[str]]) -> Match | None:
    """Find a microphone position: the phrase nearest to the end of the name."""
    best: Match | None = None
    for meaning, phrases in vocabulary.items():
        for phrase in phrases:
            parts = phrase.split()
            for first in range(len(words) - len(parts) + 1):
                last = first + len(parts)
                longer = best is None or (last, len(parts)) > (best.last, best.last - best.first)
                if words[first:last] == parts and longer:
                    best = Match(meaning, first, last, phrase)
    return best


def whole_position(words: list[str]) -> Match | None:
    """Find a microphone position with all words that belong to it.

    Examples
    --------
    >>> whole_position(["horns", "far", "hall"])
    Match(meaning='hall', first=1, last=3, phrase='far hall')
    """
    match = find_position(words, POSITIONS)
    if match is None:
        return None
    first, last, meaning = match.first, match.last, match.meaning
    arrays = match.phrase not in DISTANCES
    while first > 0 and (place := _place_of(words[first - 1])) is not None:
        first -= 1
        if not arrays and words[first] not in DISTANCES:
            meaning, arrays = place, True
    if last < len(words) and words[last] in BESIDE:
        last += 1
    return Match(meaning, first, last, " ".join(words[first:last]))


def _place_of(word: str) -> str | None:
    """Give the position that a word beside a position names, or None."""
    table = SHORT_POSITIONS if word in BESIDE else POSITIONS
    return next((name for name, words in table.items() if word in words), None)


def takes(words: list[str]) -> set[int]:
    """Find which words say only which export this is: "T2", "take 3", "v04".

    Examples
    --------
    >>> sorted(takes(["01", "horns", "tree", "take", "3"]))
    [3, 4]
    """
    found: set[int] = set()
    for index in range(1, len(words) - 1):
        named = any(word.isalpha() for word in words[:index])
        if words[index] in TAKES and words[index + 1].isdigit() and named:
            found |= {index, index + 1}
    return found


def unaccented(word: str) -> str:
    """Take accents off: "hörner" is "horner", "chœur" is "choeur".

    Examples
    --------
    >>> unaccented("große"), unaccented("flûtes")
    ('grosse', 'flutes')
    """
    folded = unicodedata.normalize("NFKD", word.casefold().replace("œ", "oe").replace("æ", "ae"))
    return "".join(letter for letter in folded if not unicodedata.combining(letter))


def decided(match: Match, near: set[str], around: set[str]) -> Match | None:
    """Say what a word that stands for several sections means here; None if it stands for one.

    Parameters
    ----------
    match : Match
        What its vocabulary says.
    near, around : set of str
        Words without accents: of the name and its folders, of all names.
    """
    if match.phrase in SUNG_OR_BOWED and around & KINDS["voices"]:
        return replace(match, meaning="men") if near & KINDS["voices"] else match
    options = AMBIGUOUS.get(match.phrase)
    if options is None:
        return None
    for words in (near, around):
        for kind, meaning in options.items():
            if words & KINDS[kind]:
                return replace(match, meaning=meaning)
    return match


def plain(word: str) -> str:
    """Take leading zeros off a number, so that "01" is "1"."""
    return (word.lstrip("0") or "0") if word.isdigit() else word
