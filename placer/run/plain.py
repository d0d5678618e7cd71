"""How placements are written as plain values, and read back without loss.

*Conventions*: plain values are what JSON holds; a position that is off is None.

`placement_values`, `placement_from`: one placement. `placements_from`: all of a mix.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from placer.cue.records import OFF_DB, Placement, Track


def placement_values(track: Track, placement: Placement) -> dict[str, Any]:
    """One track's placement as plain values."""
    return {
        "name": track.name,
        "seat": None if placement.seat is None else list(placement.seat),
        "pan": placement.pan,
        "width": placement.width,
        "aligned": placement.aligned,
        "trim_db": placement.trim_db,
        "blend_db": {
            position: None if gain <= OFF_DB else gain
            for position, gain in zip(track.positions, placement.blend_db, strict=True)
        },
    }


def placement_from(track: Track, values: Mapping[str, Any]) -> Placement:
    """The placement that `placement_values` wrote.

    Raises
    ------
    KeyError, TypeError, ValueError
        The values are not those of this track.
    """
    gains = values["blend_db"]
    seat = values["seat"]
    placement = Placement(
        seat=None if seat is None else (float(seat[0]), float(seat[1])),
        blend_db=tuple(
            OFF_DB if gains[position] is None else float(gains[position])
            for position in track.positions
        ),
        pan=float(values["pan"]),
        width=float(values["width"]),
        aligned=bool(values["aligned"]),
        trim_db=float(values.get("trim_db", 0.0)),
    )
    numbers = (*placement.blend_db, placement.pan, placement.width, placement.trim_db)
    if not all(map(math.isfinite, (*numbers, *(placement.seat or ())))):
        raise ValueError(f"{track.name}: a number is not finite")
    return placement


def placements_from(
    tracks: Sequence[Track], rows: Sequence[Mapping[str, Any]]
) -> tuple[Placement, ...]:
    """Placements of all tracks, matched by name."""
    named = {row["name"]: row for row in rows}
    return tuple(placement_from(track, named[track.name]) for track in tracks)
