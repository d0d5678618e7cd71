"""What an earlier cue file says about its layers, for the layers of the same name in a new one.

Everything is taken that says what a layer *is* (section, role, priority, group, locks and the
like), and which layers must be heard. Where a layer starts is not: that is what a seating preset is
for.

*Conventions*: names are compared without case, signs and take suffixes ("Celli_tk2" is "celli");
where two names of one cue are alike then, only equal names count.

`read_earlier`: an earlier cue file. `names_in_common`: which names belong together.
`taken_keys`: what holds for the new layer.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from placer.cue.draft_names import plain, words_of
from placer.cue.names import same_name
from placer.cue.records import Text
from placer.cue.toml_table import load
from placer.cue.tracks import KEYS
from placer.errors import CueError

OWN = {"name", "file", "positions", "seat", "pan", "width", "blend", "aligned", "limits"}
"""Keys of a track that belong to its files and its place."""
OF_A_SEAT = {"source_width", "family"}
"""Keys that do nothing for a track that is heard as it is."""
TAKES = {"take", "tk", "v", "ver", "version", "rev", "revision", "pass", "bounce", "copy"}
"""Words before a number that counts takes; common practice, no source."""
COPY = re.compile(r"\s*\(\d+\)\s*$")


@dataclass(frozen=True, slots=True)
class Earlier:
    """An earlier cue: its name, the keys of each track by the track's name, what must be heard."""

    name: str
    tracks: Mapping[str, Mapping[str, Any]]
    hear: tuple[str, ...] | None = None


def read_earlier(path: Path) -> Earlier:
    """Read the tracks of an earlier cue file; what their keys mean is judged in the new one.

    Raises
    ------
    CueError
        The file cannot be read, has no track, or a track has no name.
    """
    top = load(path)
    head = top.table("cue")
    rows = top.tables("track")
    if not rows:
        raise CueError(f"{path}: has no [[track]]; name an earlier cue file, or a run of one")
    tracks = {
        row.get("name", Text): {key: row.value(key) for key in KEYS if key in row} for row in rows
    }
    hear = head.get("hear", tuple[str, ...], None)
    return Earlier(head.get("name", Text, path.stem), tracks, hear)


def take_name(name: str) -> str:
    """A name without case, signs and take suffix.

    Examples
    --------
    >>> take_name("Celli_Ostinato_Take 03"), take_name("celli ostinato"), take_name("Vln 2 (1)")
    ('celli ostinato', 'celli ostinato', 'vln 2')
    """
    words = [plain(word.text) for word in words_of(COPY.sub("", name))]
    if len(words) > 2 and words[-1].isdigit() and words[-2] in TAKES:
        words = words[:-2]
    elif len(words) > 1 and words[-1] in TAKES:
        words.pop()
    return " ".join(words) or same_name(name)


def names_in_common(new: Sequence[str], old: Iterable[str]) -> dict[str, str]:
    """Find for each new name the old one that belongs to it, if any.

    Examples
    --------
    >>> names_in_common(["Celli tk2", "Horns"], ["celli", "Oboe"])
    {'Celli tk2': 'celli'}
    """
    known = list(old)
    equal = {same_name(name): name for name in known}
    found = {name: equal[same_name(name)] for name in new if same_name(name) in equal}
    used = set(found.values())
    alike = {take_name(name): name for name in known if name not in used}
    counts = [Counter(map(take_name, names)) for names in (new, known)]
    for name in new:
        key = take_name(name)
        if name not in found and key in alike and all(count[key] == 1 for count in counts):
            found[name] = alike[key]
    return found


def taken_keys(
    row: Mapping[str, Any], *, recorded: bool, sections: Collection[str], roles: Collection[str]
) -> dict[str, Any]:
    """Keys of an earlier track that hold for a new one.

    Parameters
    ----------
    row : mapping
        Keys of the earlier track.
    recorded : bool
        Whether the new track has microphone positions.
    sections, roles : collection of str
        What is known to the new cue; a section of the earlier cue's own seating file is not.

    Returns
    -------
    dict
        Without `section` or `role` where the new cue does not know it. A fixed dry track keeps its
        seat, without which it would be heard as it is; a recorded one has no seat to lock.
    """
    taken = {key: value for key, value in row.items() if key not in OWN}
    for key, known in (("section", sections), ("role", roles)):
        if taken.get(key) not in known:
            taken.pop(key, None)
    if recorded and "locks" in taken:
        taken["locks"] = [lock for lock in taken["locks"] if lock != "seat"]
    if not taken.get("locks"):
        taken.pop("locks", None)
    if taken.get("fixed") is True and not recorded:
        if "seat" in row:
            return taken | {"seat": row["seat"]}
        return {key: value for key, value in taken.items() if key not in OF_A_SEAT}
    return taken
