"""What a track of a folder is called, which section it is and what it does.

*Conventions*: each guess says how sure it is: "sure" (a long word names it), "likely" (an
abbreviation or a folder does), "guess" (only the sound does), and why.

`track_names`: short and distinct. `Ears`: section and role of one track.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from placer.audio.pairs import StemFile
from placer.cue.configs import Role, Seating
from placer.cue.draft_groups import Group, Named
from placer.cue.draft_names import (
    NO_TRACK,
    ONLY_MIX,
    Match,
    Word,
    decided,
    find,
    plain,
    takes,
    unaccented,
    words_of,
)
from placer.cue.draft_pairs import location, named_words, stem_name
from placer.cue.draft_roles import role_by_ear, section_by_ear
from placer.cue.draft_sound import Sound
from placer.cue.names import made_safe, same_name
from placer.cue.records import FOREGROUND_ROLES

ENOUGH = 3
"""Tracks whose names must begin or end alike before that part is dropped."""
NUMBERED = 0.7
"""Share of tracks that begin with a number when the numbers only count the files."""
ASIDE_DB = 3.0
"""Difference of right and left that counts as sitting to one side."""
ASIDE_METRES = 4.0
TUNES = ("melody", "counter_melody")
STRUCK = {"timpani", "low_drums", "high_drums", "metals", "percussion"}
ROLE_OF_SECTION = {
    **dict.fromkeys(STRUCK, "percussion"),
    "effects": "effect",
    "synth_pad": "pad",
    "synth_bass": "bass",
    "soloist": "melody",
    "solo_voice": "melody",
}


@dataclass(frozen=True, slots=True)
class Guess:
    """A value, how sure it is, and why."""

    value: str
    sure: str
    why: str


@dataclass(frozen=True, slots=True)
class Ears:
    """The vocabularies that tracks are judged by, and the words of all names of the folder."""

    sections: Mapping[str, Sequence[str]]
    roles: Mapping[str, Sequence[str]]
    around: frozenset[str] = frozenset()

    @classmethod
    def of(
        cls, seating: Seating, roles: Mapping[str, Role], sources: Sequence[StemFile] = ()
    ) -> Ears:
        """Take the vocabularies from the shipped tables and the words from the files' names."""
        return cls(
            {key: section.names for key, section in seating.sections.items()},
            {key: role.names for key, role in roles.items()},
            frozenset(
                unaccented(word.text) for one in sources for word in words_of(stem_name(one))
            ),
        )

    def counts_parts(self, path: Path) -> bool:
        """Tell whether the number at the end of a name belongs to the section: "violins-2"."""
        words = [word.text for word in words_of(path.stem)]
        counted = takes(words)
        kept = [word for index, word in enumerate(words) if index not in counted]
        match = find(kept, self.sections)
        return (
            match is not None
            and match.last == len(kept)
            and kept[-1].isdigit()
            and (match.phrase[-1:].isdigit())
        )

    def helpful(self, one: Named) -> bool:
        """Tell whether a file's words, or its folders', name an instrument or a role."""
        words = [[word.text for word in one.words], *map(list, one.folders)]
        return any(find(part, table) for part in words for table in (self.sections, self.roles))

    def section(self, words: Sequence[str], one: Named, sound: Sound) -> Guess:
        """Guess the section of a track from its short name, its files, their folders, its sound."""
        found = _in_names(words, one, self.sections)
        if found is not None:
            return self._decided(found, one)
        value, why = section_by_ear(sound)
        return Guess(value, "guess", why)

    def _decided(self, told: Told, one: Named) -> Guess:
        """Mark a word that stands for several sections, and choose by the words around it."""
        near = {word.text for word in one.words} | {w for folder in one.folders for w in folder}
        match = decided(told.match, {unaccented(word) for word in near}, set(self.around))
        if match is None:
            return _told(told)
        why = f'"{match.phrase}" in {told.where} stands for several sections'
        return Guess(match.meaning, "guess", why)

    def role(self, words: Sequence[str], one: Named, sound: Sound, section: Guess) -> Guess:
        """Guess the role of a track; a section that is named and has one of its own gives it."""
        found = _in_names(words, one, self.roles)
        usual = ROLE_OF_SECTION.get(section.value) if section.sure != "guess" else None
        if found is not None and found.match.meaning == "bed" and section.value in LOWEST:
            # "long" says how a bass line is played; who calls it a bed may mean it
            why = (
                f'usual for {section.value}; "{found.match.phrase}" in {found.where} may mean a bed'
            )
            return Guess("bass", "guess", why)
        if found is not None and not _bass_of(found, _in_names(words, one, self.sections)):
            return _told(found)
        if usual is not None:
            return Guess(usual, "likely", f"usual for {section.value}")
        value, why = role_by_ear(sound)
        return Guess(value, "guess", why)

    def foreground(
        self, words: Sequence[str], sound: Sound, section: Guess, role: Guess
    ) -> Guess | None:
        """Guess that a track carries the music although its role is none that does.

        Its short name calls it a tune beside something else ("theme chords"), its section is one
        player in front, or its sound is a tune. No other sound counts: of 127 sampled stems whose
        role carries no music (`tests.sampled`), none sounds like a tune, but 4 like a bass or an
        ostinato.
        """
        if role.value in FOREGROUND_ROLES:
            return None
        match = _find(words, {role: self.roles[role] for role in TUNES})
        if match is not None:
            return Guess("true", "guess", f'"{match.phrase}" in the name')
        if ROLE_OF_SECTION.get(section.value) in TUNES and section.sure != "guess":
            return Guess("true", "guess", f"usual for {section.value}")
        value, why = role_by_ear(sound)
        return Guess("true", "guess", why) if value in TUNES else None


LOWEST = ("basses", "tuba")
"""Sections whose long notes are a bass line more often than a bed (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Told:
    """A phrase that a name holds, how sure it is, and where it stands."""

    match: Match
    sure: str
    where: str


def _bass_of(role: Told, section: Told | None) -> bool:
    """Tell whether "bass" only says which instrument it is: bass drum, bass clarinet."""
    if section is None or role.match.phrase != "bass" or role.where != section.where:
        return False
    inside = section.match.first <= role.match.first and role.match.last <= section.match.last
    return inside and len(section.match.phrase) > len(role.match.phrase)


def _told(told: Told) -> Guess:
    return Guess(told.match.meaning, told.sure, f'"{told.match.phrase}" in {told.where}')


def _in_names(
    words: Sequence[str], one: Named, vocabulary: Mapping[str, Sequence[str]]
) -> Told | None:
    """Look in the short name, then in the whole name, then in the folders, nearest first."""
    match = _find(words, vocabulary)
    if match is not None:
        return Told(match, match.sure, "the name")
    match = _find([word.text for word in one.words], vocabulary)
    if match is not None:
        return Told(match, "likely", "the name of every file")
    for folder in reversed(one.folders):
        match = find(folder, vocabulary)
        if match is not None:
            return Told(match, "likely", "the folder")
    return None


def _find(words: Sequence[str], vocabulary: Mapping[str, Sequence[str]]) -> Match | None:
    """Look without words that count exports; then with "V2", which may be second violins."""
    counted = takes(list(words))
    match = find([w for index, w in enumerate(words) if index not in counted], vocabulary)
    if match is not None or not counted:
        return match
    return find([word for word in words if not re.fullmatch(r"0\d+", word)], vocabulary)


def seat_by_ear(sound: Sound, usual: tuple[float, float]) -> tuple[float, float] | None:
    """Give a seat on the side on which the file sits, unless the usual one is there."""
    side = 1.0 if sound.balance_db > 0 else -1.0
    if abs(sound.balance_db) < ASIDE_DB or usual[0] * side > 0:
        return None
    return (side * ASIDE_METRES, usual[1])


def mixes(sources: Sequence[StemFile], folder: Path, ears: Ears) -> list[StemFile]:
    """Files that are a mix, a click or a guide rather than a layer, by their names."""
    names = {one: {word.text for word in named_words(one)} for one in sources}
    shared = set.intersection(*names.values()) if len(names) >= ENOUGH else set()
    found = []
    for source, words in names.items():
        own = {word for word in words - shared if not word.isdigit()}
        above = [words_of(part) for part in location(source).relative_to(folder).parent.parts]
        placed = any(find([word.text for word in part], ears.sections) for part in above)
        if own & ONLY_MIX and own <= NO_TRACK and not placed:
            found.append(source)
    return found


def short_words(groups: Sequence[Group]) -> list[tuple[Word, ...]]:
    """Words of each track without what all names share, file numbers, and takes if none differ."""
    names = [group.files[0].base for group in groups]
    if len(names) >= ENOUGH:
        first, last = _common(names), _common([name[::-1] for name in names])
        names = [_cut(name, first, last) for name in names]
        leading = [name[0].text for name in names if name]
        numbers = [text for text in leading if text.isdigit()]
        if len(numbers) >= NUMBERED * len(names) and len(set(numbers)) > len(numbers) / 2:
            names = [
                name[1:] if len(name) > 1 and name[0].text.isdigit() else name for name in names
            ]
    plain_names = [_without_takes(name) for name in names]
    texts = {tuple(word.text for word in name) for name in plain_names}
    return plain_names if len(texts) == len(names) else names


def _without_takes(name: tuple[Word, ...]) -> tuple[Word, ...]:
    counted = takes([word.text for word in name])
    return tuple(word for index, word in enumerate(name) if index not in counted)


def _common(names: Sequence[tuple[Word, ...]]) -> int:
    """How many first words all names share, leaving each at least one."""
    most = min(len(name) for name in names) - 1
    count = 0
    while count < most and len({plain(name[count].text) for name in names}) == 1:
        count += 1
    return max(count, 0)


def _cut(name: tuple[Word, ...], first: int, last: int) -> tuple[Word, ...]:
    kept = name[first : max(first + 1, len(name) - last)]
    return kept if any(word.text.isalpha() for word in kept) else name


def track_names(groups: Sequence[Group], words: Sequence[tuple[Word, ...]]) -> list[str]:
    """Write each track's short words as they stand in its file's name; safe and distinct."""
    taken: set[str] = set()
    names = []
    for group, short in zip(groups, words, strict=True):
        text = _written(group.files[0], short) or group.files[0].text
        name = wanted = made_safe(text)
        number = 2
        while same_name(name) in taken:
            name = made_safe(f"{wanted[:90]} {number}")
            number += 1
        taken.add(same_name(name))
        names.append(name)
    return names


def _written(one: Named, short: tuple[Word, ...]) -> str:
    """Text of the name from the first to the last short word, without the position's."""
    parts: list[str] = []
    kept = {word.start for word in short}
    previous = None
    for index, word in enumerate(one.words):
        if word.start not in kept:
            continue
        touching = previous is not None and one.words[previous].end == word.start
        parts.append(("" if touching or not parts else " ") + one.text[word.start : word.end])
        previous = index
    return re.sub(r"\s+", " ", "".join(parts)).strip()
