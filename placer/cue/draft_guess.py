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

from placer.cue.configs import Role, Seating
from placer.cue.draft_groups import Group, Named
from placer.cue.draft_names import NO_TRACK, ONLY_MIX, Word, find, plain, words_of
from placer.cue.draft_sound import Sound, role_by_ear, section_by_ear
from placer.cue.names import made_safe, same_name

ENOUGH = 3
"""Tracks whose names must begin or end alike before that part is dropped."""
NUMBERED = 0.7
"""Share of tracks that begin with a number when the numbers only count the files."""
ASIDE_DB = 3.0
"""Difference of right and left that counts as sitting to one side."""
ASIDE_METRES = 4.0
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
    """The vocabularies that tracks are judged by."""

    sections: Mapping[str, Sequence[str]]
    roles: Mapping[str, Sequence[str]]

    @classmethod
    def of(cls, seating: Seating, roles: Mapping[str, Role]) -> Ears:
        """Take the names from the shipped tables."""
        return cls(
            {key: section.names for key, section in seating.sections.items()},
            {key: role.names for key, role in roles.items()},
        )

    def helpful(self, one: Named) -> bool:
        """Tell whether a file's words, or its folders', name an instrument or a role."""
        words = [[word.text for word in one.words], *map(list, one.folders)]
        return any(find(part, table) for part in words for table in (self.sections, self.roles))

    def section(self, words: Sequence[str], one: Named, sound: Sound) -> Guess:
        """Guess the section of a track from its short name, its files, their folders, its sound."""
        found = _in_names(words, one, self.sections)
        if found is not None:
            return found
        value, why = section_by_ear(sound)
        return Guess(value, "guess", why)

    def role(self, words: Sequence[str], one: Named, sound: Sound, section: str) -> Guess:
        """Guess the role of a track; a section that has one of its own gives it."""
        found = _in_names(words, one, self.roles)
        if found is not None:
            return found
        if section in ROLE_OF_SECTION:
            return Guess(ROLE_OF_SECTION[section], "likely", f"usual for {section}")
        value, why = role_by_ear(sound)
        return Guess(value, "guess", why)


def _in_names(
    words: Sequence[str], one: Named, vocabulary: Mapping[str, Sequence[str]]
) -> Guess | None:
    """Look in the short name, then in the whole name, then in the folders, nearest first."""
    match = find(words, vocabulary)
    if match is not None:
        return Guess(match.meaning, match.sure, f'"{match.phrase}" in the name')
    match = find([word.text for word in one.words], vocabulary)
    if match is not None:
        return Guess(match.meaning, "likely", f'"{match.phrase}" in the name of every file')
    for folder in reversed(one.folders):
        match = find(folder, vocabulary)
        if match is not None:
            return Guess(match.meaning, "likely", f'"{match.phrase}" in the folder')
    return None


def seat_by_ear(sound: Sound, usual: tuple[float, float]) -> tuple[float, float] | None:
    """Give a seat on the side on which the file sits, unless the usual one is there."""
    side = 1.0 if sound.balance_db > 0 else -1.0
    if abs(sound.balance_db) < ASIDE_DB or usual[0] * side > 0:
        return None
    return (side * ASIDE_METRES, usual[1])


def mixes(paths: Sequence[Path], folder: Path, ears: Ears) -> list[Path]:
    """Files that are a mix, a click or a guide rather than a layer, by their names."""
    names = {path: {word.text for word in words_of(path.stem)} for path in paths}
    shared = set.intersection(*names.values()) if len(names) >= ENOUGH else set()
    found = []
    for path, words in names.items():
        own = {word for word in words - shared if not word.isdigit()}
        above = [words_of(part) for part in path.relative_to(folder).parent.parts]
        placed = any(find([word.text for word in part], ears.sections) for part in above)
        if own & ONLY_MIX and own <= NO_TRACK and not placed:
            found.append(path)
    return found


def short_words(groups: Sequence[Group]) -> list[tuple[Word, ...]]:
    """Words of each track without what all names begin or end with, and without file numbers."""
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
    return names


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
