"""What the name of an exported stem says: instrument, role, microphone position.

*Conventions*: a name is cut into lower-case words where it changes from letters to digits, from
small to large letters, or at any sign: "Vln1-CLOSE" is vln, 1, close.

`words_of`: the cut. `find`: the longest phrase of a vocabulary in a list of words. `POSITIONS`:
words for microphone positions; `SHORT_POSITIONS` count only where a sister file has another one.

Sources
-------
Words and abbreviations: common practice, no source. Those of sections and roles are in `configs/`.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

POSITIONS: dict[str, tuple[str, ...]] = {
    "close": ("close", "close mic", "close mics", "closes", "spot", "spots", "spot mic", "near"),
    "tree": ("tree", "tree mics", "main mics", "mains", "main array"),
    "outriggers": ("outriggers", "outrigger", "outrigs", "outrig", "wides", "flanks", "flank"),
    "hall": (
        *("hall", "ambient", "ambience", "amb", "room", "rooms", "far", "rear"),
        *("surround", "surrounds", "surr", "gallery", "balcony"),
    ),
    "stage": ("stage",),
}
SHORT_POSITIONS: dict[str, tuple[str, ...]] = {
    "close": ("c", "cl", "cm", "clo", "cls", "s", "sp", "n"),
    "tree": ("t", "tr", "main", "m", "mn", "mid"),
    "outriggers": ("o", "or", "out", "og", "w", "wide", "otr"),
    "hall": ("a", "am", "h", "r", "rm", "f", "sur", "room mic"),
    "stage": ("stg", "st"),
    "mix": ("mix",),
}
ONLY_MIX = {
    *("mix", "master", "fullmix", "mixdown", "click", "metronome", "guide", "temp"),
    *("reference", "ref"),
}
NO_TRACK = ONLY_MIX | {"full", "stereo", "print", "rough", "stem", "stems", "dry", "wet"}
"""A file with no other words than these, one of the first kind, is a mix or a click, no layer."""
ROMAN = {"i": "1", "ii": "2"}
BOUNDARY = re.compile(r"(?<=[a-zß-öø-ÿ])(?=[A-ZÀ-Þ])|(?<=[A-Z]{2})(?=[A-Z][a-z]{2})")
WORD = re.compile(r"[^\W\d_]+|\d+")
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
            if words and words[-1].text.startswith(("v", "horn")):
                text = ROMAN.get(text, text)
            words.append(Word(text, match.start(), match.end()))
    return words


def find(words: Iterable[str], vocabulary: Mapping[str, Iterable[str]]) -> Match | None:
    """Find the phrase of a vocabulary with the most letters, then words, then nearest the start.

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
    given = [plain(word) for word in words]
    best: tuple[tuple[int, int, int], Match] | None = None
    for meaning, phrases in vocabulary.items():
        for phrase in (meaning.replace("_", " "), *phrases):
            parts = [plain(word.text) for word in words_of(phrase)]
            for first in range(len(given) - len(parts) + 1):
                if given[first : first + len(parts)] == parts:
                    match = Match(meaning, first, first + len(parts), phrase)
                    rank = (sum(map(str.isalpha, phrase)), len(parts), -first)
                    if best is None or rank > best[0]:
                        best = (rank, match)
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


def plain(word: str) -> str:
    """Take leading zeros off a number, so that "01" is "1"."""
    return (word.lstrip("0") or "0") if word.isdigit() else word
