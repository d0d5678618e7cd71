"""Which files of a folder are one track, heard by one or several microphones.

First the names decide: files whose names differ only in a word for a microphone position are one
track. Where they differ in a word that says nothing ("M1", "M2"), or say nothing at all, the sound
decides: positions of one recording hold the same waveform.

*Conventions*: `positions` is empty for a track of one file that is taken to be dry.

`grouped` is the only function others need.
"""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from placer.audio.pairs import StemFile
from placer.cue.draft_names import (
    DISTANCES,
    POSITIONS,
    SHORT_POSITIONS,
    Match,
    Word,
    find_position,
    takes,
    whole_position,
    words_of,
)
from placer.cue.draft_pairs import location, named_words, stem_name

POSITION_FILLERS = {"mic", "mics", "position", "positions", "pos", "stem", "stems"}
"""Words that may stand beside a position in a folder's name."""
MOST_NAMELESS = 24
"""Files without any helpful word, or that only a number tells apart, that are compared with one
another by their sound; the time it takes grows with the square."""
Key = tuple[tuple[str, ...], ...]
Same = Callable[[StemFile, StemFile], bool]


@dataclass(frozen=True, slots=True)
class Named:
    """One file and what its name says.

    Attributes
    ----------
    source : the file, or a pair of mono files
    words : of its name, or of its folder's where the name is only a position
    text : the name that the words stand in
    folders : words of the folders above it, nearest last, without that of a position
    position : microphone position, "" if none is named
    skip : (first, last) words that name the position
    """

    source: StemFile
    words: tuple[Word, ...]
    text: str
    folders: tuple[tuple[str, ...], ...]
    position: str = ""
    skip: tuple[int, int] = (0, 0)

    @property
    def base(self) -> tuple[Word, ...]:
        """Words that name the track."""
        return self.words[: self.skip[0]] + self.words[self.skip[1] :]

    @property
    def key(self) -> Key:
        """What files of one track have in common."""
        return (*self.folders, tuple(word.text for word in self.base))


@dataclass(frozen=True, slots=True)
class Group:
    """One track: its files, their positions, and how sure that is."""

    files: tuple[Named, ...]
    positions: tuple[str, ...]
    sure: str
    why: str


def grouped(
    sources: Sequence[StemFile], folder: Path, *, same: Same, helpful: Callable[[Named], bool]
) -> list[Group]:
    """Sort files into tracks.

    Parameters
    ----------
    sources : sequence of StemFile
        Usable stems below `folder`.
    folder : Path
        The folder that is drafted.
    same : function of two sources
        Whether they are one performance heard by two microphones.
    helpful : function of a Named
        Whether its words name an instrument or a role.

    Returns
    -------
    list of Group
        In the order of their first files.
    """
    named = _short_positions([_named(source, folder) for source in sources])
    groups: list[Group] = []
    rest: list[Named] = []
    for files in _by_key(named).values():
        if all(one.position for one in files):
            groups.append(_by_name(files))
        else:
            rest += files
    tails = _by_tail(rest, same)
    groups += tails
    used = {one.source for group in tails for one in group.files}
    rest = [one for one in rest if one.source not in used]
    silent = [one for one in rest if not helpful(one)]
    clusters = _by_sound(silent, same) if len(silent) <= MOST_NAMELESS else []
    groups += clusters
    used = {one.source for group in clusters for one in group.files}
    groups += [Group((one,), (), "sure", "one file") for one in rest if one.source not in used]
    order = {source: index for index, source in enumerate(sources)}
    return sorted(
        map(_nearest_first, groups), key=lambda group: min(order[one.source] for one in group.files)
    )


def _nearest_first(group: Group) -> Group:
    """Put positions in their usual order, from close to hall; unknown ones follow."""
    if not group.positions:
        return group
    rank = {name: index for index, name in enumerate(POSITIONS)}
    order = sorted(
        range(len(group.files)),
        key=lambda index: (
            rank.get(group.files[index].position, len(rank)),
            group.files[index].position != group.positions[index],
        ),
    )
    return replace(
        group,
        files=tuple(group.files[index] for index in order),
        positions=tuple(group.positions[index] for index in order),
    )


def _named(source: StemFile, folder: Path) -> Named:
    """Read a file's name and those of the folders above it."""
    words, text = named_words(source), stem_name(source)
    above = location(source).relative_to(folder).parent.parts
    folders = [tuple(word.text for word in words_of(part)) for part in above]
    match = whole_position([word.text for word in words])
    if match is None:
        for index in reversed(range(len(folders))):
            named = [word for word in folders[index] if word not in POSITION_FILLERS]
            place = whole_position(named)
            if place is not None and place.last - place.first == len(named):
                rest = (*folders[:index], *folders[index + 1 :])
                return Named(source, words, text, rest, place.meaning)
        return Named(source, words, text, tuple(folders))
    if match.last - match.first < len(words) or not above:
        return _with_position(Named(source, words, text, tuple(folders)), match)
    # The name is only a position: the folder names the track.
    own, text = tuple(words_of(above[-1])), unicodedata.normalize("NFC", above[-1])
    return Named(source, own, text, tuple(folders[:-1]), match.meaning, (len(own), len(own)))


def _with_position(one: Named, match: Match) -> Named:
    return replace(one, position=match.meaning, skip=(match.first, match.last))


def _by_key(named: Iterable[Named]) -> dict[Key, list[Named]]:
    groups: dict[Key, list[Named]] = defaultdict(list)
    for one in named:
        groups[one.key].append(one)
    return groups


def _short_positions(named: list[Named]) -> list[Named]:
    """Believe a short word for a position where a sister file has another position."""
    guesses: dict[StemFile, Named] = {}
    for one in named:
        texts = [word.text for word in one.words]
        counted = takes(texts)
        last = max((index for index in range(len(texts)) if index not in counted), default=0)
        if one.position or last == 0:
            continue
        match = find_position(texts[last : last + 1], SHORT_POSITIONS)
        if match is not None:
            guesses[one.source] = replace(one, position=match.meaning, skip=(last, last + 1))
    tried = [guesses.get(one.source, one) for one in named]
    believed = {
        one.source
        for files in _by_key(one for one in tried if one.position).values()
        if len({_raw(one) or one.position for one in files}) > 1
        for one in files
    }
    return [guesses[one.source] if one.source in believed & set(guesses) else one for one in named]


def _by_name(files: list[Named]) -> Group:
    """Make a track of files that name their positions; a lone close stem counts as dry."""
    if len(files) == 1 and files[0].position == "close":
        return Group(tuple(files), (), "likely", "only a close position: taken as dry")
    return Group(tuple(files), _distinct(_labels(files)), "sure", "the names name the positions")


def _labels(files: list[Named]) -> list[str]:
    """Name the positions: one file of each of the usual ones has its name, others their own words.

    A word that says which array it is ("tree") goes before one that says how far ("mid").
    """
    labels = []
    for one in files:
        rivals = [_raw(other) for other in files if other.position == one.position]
        best = [raw for raw in rivals if raw == one.position] or [
            raw for raw in rivals if not set(raw.split()) & DISTANCES
        ]
        usual = len(rivals) == 1 or (len(best) == 1 and best == [_raw(one)])
        labels.append(one.position if usual else _raw(one) or one.position)
    return labels


def _raw(one: Named) -> str:
    """Position as it is written in the name."""
    words = one.words[one.skip[0] : one.skip[1]]
    return " ".join(word.text for word in words)


def _by_tail(rest: list[Named], same: Same) -> list[Group]:
    """Join files that differ in their last word or number and hold the same waveform."""
    families: dict[Key, list[Named]] = defaultdict(list)
    for one in rest:
        size = len(one.words)
        cut = size - 1
        if size > 2 and one.words[-1].text.isdigit() and len(one.words[-2].text) <= 3:
            cut = size - 2
        if cut > 0:
            tailed = replace(one, skip=(cut, size))
            families[tailed.key].append(tailed)
    groups: list[Group] = []
    for files in families.values():
        for cluster in _clusters(files, same) if len(files) <= MOST_NAMELESS else []:
            why = "the names differ in one word and the sound is one performance"
            groups.append(Group(cluster, _distinct([_raw(one) for one in cluster]), "likely", why))
    return groups


def _by_sound(files: list[Named], same: Same) -> list[Group]:
    """Join files whose names say nothing but that hold the same waveform."""
    return [
        Group(
            cluster,
            tuple(f"mic {index + 1}" for index in range(len(cluster))),
            "guess",
            "the sound is one performance heard by several microphones",
        )
        for cluster in _clusters(files, same)
    ]


def _clusters(files: list[Named], same: Same) -> list[tuple[Named, ...]]:
    """Sets of two or more files that hold the same waveform as their first one."""
    found: list[tuple[Named, ...]] = []
    left = list(files)
    while len(left) > 1:
        first, *others = left
        joined = [one for one in others if same(first.source, one.source)]
        if joined:
            found.append((first, *joined))
        left = [one for one in others if one not in joined]
    return found


def _distinct(names: list[str]) -> tuple[str, ...]:
    """Number the names that come twice."""
    seen: dict[str, int] = defaultdict(int)
    result = []
    for name in names:
        seen[name] += 1
        result.append(name if seen[name] == 1 else f"{name} {seen[name]}")
    return tuple(result)
