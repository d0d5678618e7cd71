"""Which mono files of a folder are left and right of one stereo sound.

First the names decide: two mono files whose names differ only in a word for left and right, unless
they hold other notes. Names that differ in a last 1 and 2 behind a sign ("tree-1", "tree-2") are a
pair only if the sound is one performance, for two parts are often numbered so. "Violins 1" and
"Violins 2" are two sections.

*Conventions*: a pair stands where its left file stood in the list.

`paired`: the list with pairs in it, and how sure each one is. `sides_by_name`: which files are
pairs by their names alone. `stem_name`: a source's name. `side_word`: which word of it only says
left.
"""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from placer.audio.files import info
from placer.audio.pairs import MonoPair, StemFile
from placer.cue.draft_names import LEFT, RIGHT, Word, takes, words_of
from placer.cue.draft_sound import Kinship
from placer.errors import AudioError

SIGNS = "-_.("
"""Signs before a 1 or 2 that may number the sides of a pair; a space does not."""
Kin = Callable[[Path, Path], Kinship]
Sides = dict[str, list[Path]]


@dataclass(frozen=True, slots=True)
class PairDoubt:
    """How sure it is that two files are a pair, or that a file is none of a pair, and why."""

    sure: str
    why: str


def stem_name(source: StemFile) -> str:
    """Name of a file, or of the left file of a pair, without its ending, in composed form (NFC)."""
    return unicodedata.normalize("NFC", location(source).stem)


def location(source: StemFile) -> Path:
    """Path of a file, or of the left file of a pair."""
    return source.left if isinstance(source, MonoPair) else source


def named_words(source: StemFile) -> tuple[Word, ...]:
    """Words of a source's name, without the one that says left."""
    words = words_of(stem_name(source))
    if not isinstance(source, MonoPair):
        return tuple(words)
    found = side_word(source.left)
    index = _numbered(source.left) if found is None else found[0]
    return tuple(word for place, word in enumerate(words) if place != index)


def side_word(path: Path) -> tuple[int, str] | None:
    """Find the last word of a name that says left or right: its place, and "left" or "right"."""
    words = [word.text for word in words_of(path.stem)]
    for index in reversed(range(1, len(words))):
        if words[index] in LEFT:
            return index, "left"
        if words[index] in RIGHT:
            return index, "right"
    return None


def _numbered(path: Path) -> int | None:
    """Find a 1 or 2 behind a sign at the end of a name, takes aside: its place."""
    words = words_of(path.stem)
    counted = takes([word.text for word in words])
    last = max((index for index in range(len(words)) if index not in counted), default=0)
    if last == 0 or not words[last].text.isdigit():
        return None
    before = words[last].start - 1
    return last if stem_name(path)[before] in SIGNS else None


def paired(
    paths: Sequence[Path], kin: Kin, is_part: Callable[[Path], bool]
) -> tuple[list[StemFile], dict[StemFile, PairDoubt]]:
    """Join the mono files that are left and right of one sound.

    Parameters
    ----------
    paths : sequence of Path
        Audio files; those that cannot be read are left as they are.
    kin : function of two paths
        What two files are to one another.
    is_part : function of a path
        Whether the number at the end of its name counts parts of a section.

    Returns
    -------
    list of StemFile
        Files and pairs, in the order of `paths`.
    dict
        How sure each pair is, and why two files that are named like one are none.
    """
    pairs: list[MonoPair] = []
    doubts: dict[StemFile, PairDoubt] = {}
    mono = [path for path in paths if _is_mono(path)]
    for left, right in _matched(mono, _by_side):
        found = kin(left, right)
        if found is Kinship.OTHER:
            for path, other in ((left, right), (right, left)):
                why = f"named like one side of {other.name!a}, but it holds other notes: two layers"
                doubts[path] = PairDoubt("guess", why)
            continue
        known = found is Kinship.ONE
        pairs.append(MonoPair(left, right))
        doubts[pairs[-1]] = PairDoubt(
            "sure" if known else "guess",
            "left and right by their names"
            + ("" if known else ", but their sound is not one performance: two layers?"),
        )
    used = {path for pair in pairs for path in (pair.left, pair.right)}
    rest = [path for path in mono if path not in used and not is_part(path)]
    for left, right in _matched(rest, _by_number):
        if kin(left, right) is Kinship.ONE:
            why = "two numbered mono files hold one performance: left and right"
            pairs.append(MonoPair(left, right))
            doubts[pairs[-1]] = PairDoubt("likely", why)
    of_left = {pair.left: pair for pair in pairs}
    rights = {pair.right for pair in pairs}
    return [of_left.get(path, path) for path in paths if path not in rights], doubts


def sides_by_name(paths: Sequence[Path]) -> list[tuple[Path, Path]]:
    """Find files that are left and right of one sound by their names: usable, mono, of one length.

    Parameters
    ----------
    paths : sequence of Path

    Returns
    -------
    list of (Path, Path)
        Left and right.
    """
    return _matched([path for path in paths if _is_mono(path)], _by_side)


def _is_mono(path: Path) -> bool:
    try:
        return info(path).channels == 1
    except AudioError:
        return False


def _by_side(path: Path) -> tuple[int, str] | None:
    return side_word(path)


def _by_number(path: Path) -> tuple[int, str] | None:
    index = _numbered(path)
    if index is None:
        return None
    return index, {"1": "left", "2": "right"}.get(words_of(path.stem)[index].text, "more")


def _matched(
    paths: Sequence[Path], side_of: Callable[[Path], tuple[int, str] | None]
) -> list[tuple[Path, Path]]:
    """Find files that differ in nothing but their side: one left and one right, of one length."""
    families: dict[tuple[object, ...], Sides] = defaultdict(lambda: defaultdict(list))
    for path in paths:
        found = side_of(path)
        if found is not None:
            texts = [word.text for word in words_of(path.stem)]
            index, side = found
            key = (path.parent, path.suffix.lower(), index, *texts[:index], *texts[index + 1 :])
            families[key][side].append(path)
    return [
        (sides["left"][0], sides["right"][0])
        for sides in families.values()
        if len(sides["left"]) == len(sides["right"]) == 1
        and not sides["more"]
        and _fit(sides["left"][0], sides["right"][0])
    ]


def _fit(left: Path, right: Path) -> bool:
    """Tell whether two mono files can be read as one stereo sound."""
    try:
        info(MonoPair(left, right))
    except AudioError:
        return False
    return True
