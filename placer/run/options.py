"""What each unit of a cue may try: single tracks, and buses whose tracks take one change together.

*Conventions*: an option of a unit is one placement for each of its tracks; option 0 is the
reference. A change is counted from a track's start, so that tracks of a bus can share it.

`UnitOptions`: proposals for one unit. `units_of`: which tracks of a cue move as one. `Change`: what
two placements of different tracks may have in common. `seats_around`: places worth measuring.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from placer.cue.records import OFF_DB, Cue, Placement, Track
from placer.placement.options import Hand, Place, around, place_of, single_changes, spread
from placer.placement.positions import WALL_DISTANCE, Seat
from placer.search.units import Units
from sim.room import Room

Option = tuple[Placement, ...]

COARSE = ((-3.0, 0.0), (3.0, 0.0), (0.0, 3.0), (0.0, -2.0), (-6.0, 0.0), (6.0, 0.0), (0.0, 6.0))
"""Steps of a seat in m that are looked at first: to the sides, back, forward."""

FINE = ((-1.0, 0.0), (1.0, 0.0), (0.0, 1.0), (0.0, -1.0), (-0.5, 0.5), (0.5, -0.5))
"""Steps around a seat that has helped."""

MOST_KEPT = 64
"""Placements of a unit whose single changes are kept."""

SEAT_STEP = 0.5
"""Steps in which a seat is set, m."""


@dataclass(frozen=True, slots=True)
class Change:
    """How a placement differs from its track's start.

    Attributes
    ----------
    blend : (position, dB or None for off) of every position that differs
    pan, width : differences
    seat : step in m, or None
    turned : whether the alignment differs
    trim_db : as in the placement
    """

    blend: tuple[tuple[str, float | None], ...]
    pan: float
    width: float
    seat: tuple[float, float] | None
    turned: bool
    trim_db: float


def change_of(track: Track, placement: Placement) -> Change:
    """What a placement changes."""
    start = track.start
    blend: list[tuple[str, float | None]] = []
    for name, new, old in zip(track.positions, placement.blend_db, start.blend_db, strict=True):
        if new != old:
            base = old if old > OFF_DB else track.limits.gain_db[0]
            blend.append((name, None if new <= OFF_DB else new - base))
    seat = None
    if placement.seat is not None and start.seat is not None and placement.seat != start.seat:
        seat = (placement.seat[0] - start.seat[0], placement.seat[1] - start.seat[1])
    return Change(
        blend=tuple(blend),
        pan=placement.pan - start.pan,
        width=placement.width - start.width,
        seat=seat,
        turned=placement.aligned != start.aligned,
        trim_db=placement.trim_db,
    )


def changed(hand: Hand, change: Change) -> Placement:
    """A track's start with a change made; what the track cannot do is left out."""
    track, start = hand.track, hand.track.start
    gains = list(start.blend_db)
    for name, by in change.blend:
        if name in track.positions:
            index = track.positions.index(name)
            base = gains[index] if gains[index] > OFF_DB else track.limits.gain_db[0]
            gains[index] = OFF_DB if by is None else base + by
    seat = start.seat
    if change.seat is not None and seat is not None:
        seat = (seat[0] + change.seat[0], seat[1] + change.seat[1])
    return hand.allowed(
        Placement(
            seat=seat,
            blend_db=tuple(gains),
            pan=start.pan + change.pan,
            width=start.width + change.width,
            aligned=start.aligned ^ change.turned,
            trim_db=change.trim_db,
        )
    )


def units_of(cue: Cue) -> Units:
    """Tracks of one bus, or of one group where no bus is named, move as one.

    Fixed tracks stay alone.
    """
    found: dict[str, list[int]] = {}
    for index, track in enumerate(cue.tracks):
        name = "" if track.fixed else (track.bus or track.group)
        found.setdefault(f"bus {name}" if name else f"track {index}", []).append(index)
    return Units(list(found.values()))


class UnitOptions:
    """Proposals for one unit.

    Parameters
    ----------
    hands : sequence of Hand
        One a track of the unit.
    places : callable
        Places of each of these tracks that have been measured, by its number in the unit.
    movable : bool
        Whether the unit may move at all.
    trim_db : float
    refuses : callable
        Whether a placement of a track must not be proposed.
    """

    def __init__(
        self,
        hands: Sequence[Hand],
        places: Callable[[int], Sequence[Place]],
        *,
        movable: bool,
        trim_db: float,
        refuses: Callable[[Track, Placement], bool] = lambda *_: False,
    ) -> None:
        self.hands, self._places, self.movable = tuple(hands), places, movable
        self._trim_db, self._refuses = trim_db, refuses
        self._single: dict[tuple[Placement, int], list[Placement]] = {}
        # a track that is locked cannot lead the others of its bus
        self._lead = max(range(len(self.hands)), key=lambda one: len(self.hands[one].track.free))

    @property
    def start(self) -> Option:
        """The reference."""
        return tuple(hand.track.start for hand in self.hands)

    def _shared(self, placements: Sequence[Placement]) -> list[Option]:
        """Options of the whole unit from placements of the track that leads it, none refused."""
        if len(self.hands) == 1:
            track = self.hands[0].track
            return [(one,) for one in placements if not self._refuses(track, one)]
        known = [set(self._places(number)) for number in range(len(self.hands))]
        found: dict[Option, None] = {}
        for placement in placements:
            change = change_of(self.hands[self._lead].track, placement)
            option = tuple(changed(hand, change) for hand in self.hands)
            pairs = zip(self.hands, option, strict=True)
            if any(self._refuses(hand.track, one) for hand, one in pairs):
                continue
            if all(place_of(one) in some for one, some in zip(option, known, strict=True)):
                found.setdefault(option)
        return list(found)

    def around(self, centre: Option, count: int, rng: np.random.Generator) -> list[Option]:
        """Options near one; the reference first, then the centre."""
        if not self.movable:
            return [self.start]
        lead, places = self._lead, self._places(self._lead)
        hand, known = self.hands[lead], (centre[lead], len(places))
        if known not in self._single:
            if len(self._single) >= MOST_KEPT:
                self._single.clear()
            self._single[known] = single_changes(hand, centre[lead], places)
        single = self._single[known]
        near = around(hand, centre[lead], places, count=count, rng=rng, single=single)
        return list(dict.fromkeys((self.start, centre, *self._shared(near))))

    def spread(self, count: int, rng: np.random.Generator) -> list[Option]:
        """Options over everything; the reference first."""
        if not self.movable:
            return [self.start]
        lead = self._lead
        far = spread(
            self.hands[lead], self._places(lead), count=count, trim_db=self._trim_db, rng=rng
        )
        return list(dict.fromkeys((self.start, *self._shared(far))))

    def simpler(self, centre: Option) -> list[Option]:
        """The reference, the centre, and the centre with one of its settings at the reference."""
        if not self.movable:
            return [self.start]
        lead = self._lead
        start, one = self.hands[lead].track.start, centre[lead]
        found = [
            replace(one, blend_db=(*one.blend_db[:index], gain, *one.blend_db[index + 1 :]))
            for index, gain in enumerate(start.blend_db)
            if one.blend_db[index] != gain
        ]
        found += [
            replace(one, **{name: getattr(start, name)})
            for name in ("pan", "width", "aligned", "seat", "trim_db")
            if getattr(one, name) != getattr(start, name)
        ]
        known = set(self._places(lead))
        kept = [option for option in found if place_of(option) in known]
        return list(dict.fromkeys((self.start, centre, *self._shared(kept))))


def seats_around(track: Track, seat: Seat, room: Room, steps: Sequence[Seat]) -> list[Seat]:
    """Seats so many steps from one that the track may take, in half metres from its start."""
    start = track.start.seat
    if start is None or track.fixed or "seat" in track.locks:
        return []
    left, right, front, back = track.limits.area
    reach = max(0.0, room.width / 2.0 - WALL_DISTANCE - track.source_width / 2.0)
    left, right = max(left, -reach), min(right, reach)
    found = []
    for dx, dy in steps:
        x = start[0] + round((seat[0] + dx - start[0]) / SEAT_STEP) * SEAT_STEP
        y = start[1] + round((seat[1] + dy - start[1]) / SEAT_STEP) * SEAT_STEP
        if left <= x <= right and front <= y <= back:
            found.append((round(x, 3), round(y, 3)))
    return list(dict.fromkeys(found))
