"""Where a track starts and how far the search may move it.

*Conventions*: stage coordinates in m (conductor at the origin, x right, y towards the back), gains
in dB, pan -1 to 1. A seat keeps `WALL` from the walls; without an area of its own a track may go
`reach` around its start, on the stage side of the conductor.

`read_limits`, then `read_start`: a start that the cue file gives must lie within limits that it
gives; usual values give way to given ones.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from placer.cue.configs import Role, Seating, Section, TrackStart, blend
from placer.cue.records import OFF_DB, Pan, Placement, Seat, TrackLimits, Width
from placer.cue.toml_table import Table
from sim.room import Room

WALL = 0.5
"""m that a seat keeps from every wall, so that its microphone has room too."""
STAGE_FRONT = 0.5
"""m before the conductor where the stage begins."""
NO_AREA = (0.0, 0.0, 0.0, 0.0)
"""Of a track without a seat."""
Area = tuple[float, float, float, float]
Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a track's values are judged against."""

    room: Room
    reach: float
    seating: Seating
    roles: Mapping[str, Role]

    @property
    def floor(self) -> Area:
        """Where a seat may be: (left, right, front, back) in m."""
        half = self.room.width / 2 - WALL
        back = self.room.depth - self.room.conductor - WALL
        return (-half, half, WALL - self.room.conductor, back)


@dataclass(frozen=True, slots=True)
class GivenLimits:
    """What `limits` holds; None where the cue file is silent."""

    area: Area | None = None
    gain_db: Range | None = None
    pan: Range | None = None
    width: Range | None = None


def read_limits(row: Table, around: Surroundings, *, kind: str, fixed: bool) -> GivenLimits:
    """Read `limits`: rising pairs, and the area as [left, right, front, back].

    Raises
    ------
    CueError
        If a pair falls, the area lies outside the room, or the limits could do nothing.
    """
    if "limits" in row and fixed:
        raise row.error("limits", "do nothing for a fixed track; take them or fixed out")
    given = row.table("limits")
    if kind != "dry" and "area" in given:
        raise given.error("area", "a recorded track has no seat; take the area out")
    found = given.given(TrackLimits, "area", "gain_db", "pan", "width")
    given.close()
    for key, values in found.items():
        if key != "area" and values[0] > values[1]:
            raise given.error(key, "the first is above the second; write the lower one first")
    _check_area(given, found.get("area"), around)
    return GivenLimits(**found)


def read_start(
    row: Table,
    around: Surroundings,
    usual: Section,
    *,
    own: TrackStart,
    positions: tuple[str, ...],
    kind: str,
    limits: GivenLimits,
) -> tuple[Placement, TrackLimits]:
    """Read the start of a track and complete its limits.

    Parameters
    ----------
    row : Table
        The track's keys: `seat`, `blend`, `pan`, `width`, `aligned`.
    around : Surroundings
        Room and reach.
    usual : Section
        What the section gives a dry track.
    own : TrackStart
        What a seating file gives this track by its name.
    positions : tuple of str
        Microphone positions in the order of the blend.
    kind : str
        "dry", "recorded" or "direct".
    limits : GivenLimits
        What the cue file gives.

    Raises
    ------
    CueError
        If a start lies outside the room or its limits, or every position is off.
    """
    if kind == "direct":
        start = Placement(seat=None, blend_db=(0.0,) * len(positions))
        return start, TrackLimits(area=NO_AREA)
    gains = _gains(row, usual, own, positions=positions, kind=kind, limits=limits)
    seat, area = None, NO_AREA
    if kind == "dry":
        seat = _seat(row, around, own.seat or usual.seat, limits.area)
        area = limits.area or _around(seat, around)
    start = Placement(
        seat=seat,
        blend_db=gains,
        pan=_value(row, "pan", Pan, 0.0 if own.pan is None else own.pan, limits.pan),
        width=_value(row, "width", Width, 1.0 if own.width is None else own.width, limits.width),
        aligned=row.get("aligned", bool, bool(own.aligned)),
    )
    return start, _completed(limits, start, area)


def _gains(
    row: Table,
    usual: Section,
    own: TrackStart,
    *,
    positions: tuple[str, ...],
    kind: str,
    limits: GivenLimits,
) -> tuple[float, ...]:
    """Read `blend`; a dry track's other positions are as usual, a recorded one's at 0 dB."""
    written = blend(row, positions)
    rest = {name: 0.0 if kind == "recorded" else OFF_DB for name in positions}
    if kind == "dry":
        rest |= usual.blend_db
    rest |= own.blend_db
    gains = []
    for name in positions:
        gain = written.get(name, rest[name])
        if limits.gain_db is not None and gain > OFF_DB:
            low, high = limits.gain_db
            if name in written and not low <= gain <= high:
                raise row.error(
                    "blend",
                    f"{name} = {gain:g} dB lies outside limits.gain_db ({low:g} to {high:g} dB); "
                    f"change one of them, or switch it off with {OFF_DB:g}",
                )
            gain = max(low, min(high, gain))
        gains.append(gain)
    if all(gain <= OFF_DB for gain in gains):
        raise row.error("blend", f"every position is off; set one above {OFF_DB:g} dB")
    return tuple(gains)


def _seat(row: Table, around: Surroundings, usual: Seat, area: Area | None) -> Seat:
    """Read `seat`: inside the room, and inside the area if the cue file gives one."""
    given: Seat | None = row.get("seat", Seat, None)
    seat = given or usual
    if area is not None:
        inside = (max(area[0], min(area[1], seat[0])), max(area[2], min(area[3], seat[1])))
        if given is not None and inside != given:
            raise row.error("seat", f"lies outside limits.area = {list(area)}; change one of them")
        return inside
    left, right, front, back = around.floor
    for axis, value, low, high, side in (
        ("x", seat[0], left, right, "width"),
        ("y", seat[1], front, back, "depth"),
    ):
        if not low <= value <= high:
            whose = "" if given else f"the usual seat {list(seat)} of its section: "
            raise row.error(
                "seat",
                f"{whose}{axis} = {value:g} m lies outside the room; allowed: {low:g} to {high:g} "
                f"m; give another seat or enlarge room.{side}",
            )
    return seat


def _around(seat: Seat, around: Surroundings) -> Area:
    """Everything within reach of a seat, on the stage and off the walls."""
    left, right, _, back = around.floor
    x, y = seat
    reach = around.reach
    front = min(STAGE_FRONT, y)
    return (
        max(left, x - reach),
        min(right, x + reach),
        max(front, y - reach),
        min(back, y + reach),
    )


def _check_area(given: Table, values: Area | None, around: Surroundings) -> None:
    """Refuse an area that is upside down or not inside the room."""
    if values is None:
        return
    left, right, front, back = values
    if left > right or front > back:
        raise given.error("area", "is upside down; write [left, right, front, back], rising in m")
    floor = around.floor
    for side, value, low, high in (
        ("left", left, floor[0], floor[1]),
        ("right", right, floor[0], floor[1]),
        ("front", front, floor[2], floor[3]),
        ("back", back, floor[2], floor[3]),
    ):
        if not low <= value <= high:
            raise given.error(
                "area", f"{side} lies outside the room; allowed: {low:g} to {high:g} m"
            )


def _value(row: Table, key: str, kind: Any, usual: float, limits: Range | None) -> float:
    """Read `pan` or `width`; a given one must lie within given limits."""
    value: float = row.get(key, kind, usual)
    if limits is None:
        return value
    low, high = limits
    if key in row and not low <= value <= high:
        raise row.error(key, f"lies outside limits.{key} ({low:g} to {high:g}); change one of them")
    return max(low, min(high, value))


def _completed(limits: GivenLimits, start: Placement, area: Area) -> TrackLimits:
    """Take usual limits where none are given, stretched so that the start lies within."""
    usual = TrackLimits(area=area)
    on = [gain for gain in start.blend_db if gain > OFF_DB]
    gain_db = limits.gain_db or (min(usual.gain_db[0], *on), max(usual.gain_db[1], *on))
    width = limits.width or (
        min(usual.width[0], start.width),
        max(usual.width[1], start.width),
    )
    return replace(usual, gain_db=gain_db, pan=limits.pan or usual.pan, width=width)
