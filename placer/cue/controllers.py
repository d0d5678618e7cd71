"""Which MIDI controller carries what, as a cue file may choose it.

*Conventions*: controller numbers as MIDI counts them, 0 to 127. A chosen list replaces the usual
one: what it does not name is not written.

`read_controllers`: the table [midi] of a cue file. `usual_controllers`: without one.

Sources
-------
MIDI 1.0 Detailed Specification, table of controller numbers: 20 to 31 and 102 to 119 are
undefined; 0, 6, 32, 38 and 96 to 101 select banks and parameters; 120 to 127 are channel modes.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

from msgspec import Meta

from placer.cue.records import Track
from placer.cue.toml_table import Table, load, nearest

UNDEFINED = (*range(20, 32), *range(102, 120))
"""Controllers without a meaning of their own."""
RESERVED = {0, 6, 32, 38, *range(96, 102), *range(120, 128)}
"""Controllers that would change a sound or a mode and not a level."""
USUAL = ("close", "tree", "outriggers", "hall", "room", "far", "surround", "stage")
"""Positions whose number is the same in every cue, from the first of `UNDEFINED` on."""
OTHERS = ("make_up", "pan", "width")
"""What else may be written when a cue file asks for it."""


def usual_controllers(positions: Iterable[str]) -> dict[str, int]:
    """Controller of each microphone position: those of `USUAL`, then free ones in order.

    Parameters
    ----------
    positions : iterable of str
        Every position of the cue; those beyond the free controllers get none.

    Examples
    --------
    >>> usual_controllers(["tree", "spot"])
    {'tree': 21, 'spot': 28}
    """
    fixed = dict(zip(USUAL, UNDEFINED, strict=False))
    wanted = list(dict.fromkeys(positions))
    free = iter(UNDEFINED[len(USUAL) :])
    found: dict[str, int] = {}
    for name in wanted:
        number = fixed.get(name) or next(free, None)
        if number is not None:
            found[name] = number
    return found


def read_controllers(top: Table, tracks: Iterable[Track]) -> dict[str, int]:
    """Read `[midi] controllers = { close = 20, ... }`; the usual ones where it is not given.

    Parameters
    ----------
    top : Table
        The whole cue file.
    tracks : iterable of Track
        Whose positions may be named, beside `OTHERS`.

    Returns
    -------
    dict
        Position, or one of `OTHERS`, to controller number.

    Raises
    ------
    CueError
        If a name or a number is not allowed, or one number is given twice.
    """
    midi = top.table("midi")
    movable = [track for track in tracks if track.kind != "direct"]
    positions = list(dict.fromkeys(name for track in movable for name in track.positions))
    if "controllers" not in midi:
        midi.close()
        return usual_controllers(positions)
    chosen = midi.table("controllers")
    midi.close()
    found: dict[str, int] = {}
    for name in chosen.keys():  # noqa: SIM118 (a Table is no mapping)
        if name not in (*positions, *OTHERS):
            problem = f"is no microphone position of this cue{nearest(name, [*positions, *OTHERS])}"
            raise chosen.error(name, problem)
        number = chosen.get(name, Annotated[int, Meta(ge=0, le=127)])
        if number in RESERVED:
            raise chosen.error(name, "selects banks, parameters or modes; choose from 20 to 31")
        if number in found.values():
            raise chosen.error(name, "is given to two names; choose another from 20 to 31")
        found[name] = number
    return found


def controllers_of(path: Path, tracks: Iterable[Track]) -> dict[str, int]:
    """Read the controllers of a cue file by its name; errors as `read_controllers`."""
    return read_controllers(load(path), tracks)
