"""What a cue takes from the seating preset that it names.

*Conventions*: names are equal without regard to case (`names.same_name`).

`preset_lines`: which tracks start where the preset says, and which of the preset are not used.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from placer.cue.configs import named_file, read_seating
from placer.cue.names import same_name
from placer.cue.records import Track
from placer.cue.toml_table import load

MOST_NAMED = 12
"""Names that a line holds; more are counted."""


def preset_lines(path: Path, tracks: Sequence[Track]) -> list[str]:
    """Say what of a preset's tracks a cue uses.

    Parameters
    ----------
    path : Path
        The cue file.
    tracks : sequence of Track
        Of that cue.

    Returns
    -------
    list of str
        None where the cue names no seating file, or one without tracks.

    Raises
    ------
    CueError
        As `read_seating`.
    """
    file = named_file(load(path).table("seating"), "file")
    starts = read_seating(file).tracks
    if file is None or not starts:
        return []
    own = {same_name(track.name): track.name for track in tracks}
    used = [own[name] for name in starts if name in own]
    lines = [f"{file.name}: {len(used)} of its {len(starts)} tracks start here as it says"]
    if used:
        lines[0] += f": {_listed(used)}"
    if unused := [name for name in starts if name not in own]:
        lines.append(f"{file.name}: no track of this cue has the name of {_listed(unused)}")
    if others := [name for key, name in own.items() if key not in starts]:
        lines.append(f"{file.name}: says nothing of {_listed(others)}; they start as usual")
    return lines


def _listed(names: Sequence[str]) -> str:
    """Names in one line, the first ones if there are many."""
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more
