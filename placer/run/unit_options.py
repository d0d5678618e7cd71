"""What each unit of a cue may try: single tracks, and buses whose tracks take one change together.

*Conventions*: an option of a unit is one placement for each of its tracks; option 0 is the
reference. A change is counted from a track's start, so that tracks of a bus can share it.

`UnitOptions`: proposals for one unit. `UnitSettings`: its options as rows. `units_of`: which tracks
of a cue move as one. `seats_around`: places worth measuring.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

import numpy as np

from placer.cue.records import Cue, Placement, Track
from placer.placement.options import (
    Place,
    Settings,
    TrackSteps,
    around,
    changed_twice,
    first_rows,
    followed,
    in_places,
    joined,
    settings_of,
    simpler,
    single_changes,
    spread,
)
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


def units_of(cue: Cue) -> Units:
    """Tracks of one bus, or of one group where no bus is named, move as one.

    Fixed tracks stay alone.
    """
    found: dict[str, list[int]] = {}
    for index, track in enumerate(cue.tracks):
        name = "" if track.fixed else (track.bus or track.group)
        found.setdefault(f"bus {name}" if name else f"track {index}", []).append(index)
    return Units(list(found.values()))


@dataclass(frozen=True, slots=True, eq=False)
class UnitSettings:
    """Options of one unit: the same rows of the settings of each of its tracks."""

    parts: tuple[Settings, ...]

    def __len__(self) -> int:
        return len(self.parts[0])

    def __getitem__(self, index: int) -> Option:
        return tuple(one[index] for one in self.parts)

    def take(self, rows: np.ndarray) -> UnitSettings:
        """Some of the options."""
        return UnitSettings(tuple(one.take(rows) for one in self.parts))

    def find(self, option: Option) -> int | None:
        """Number of an option, or None."""
        rows = self.parts[0].find(option[0])
        for part, placement in zip(self.parts[1:], option[1:], strict=True):
            rows = np.intersect1d(rows, part.find(placement))
        return int(rows[0]) if rows.size else None


def unit_settings(options: Sequence[Option]) -> UnitSettings:
    """Options of one unit as rows, in their order."""
    return UnitSettings(tuple(settings_of(part) for part in zip(*options, strict=True)))


def together(*several: UnitSettings) -> UnitSettings:
    """Options of one unit one after the other, each once."""
    parts = tuple(joined(*some) for some in zip(*(one.parts for one in several), strict=True))
    rows = first_rows(*parts)
    return UnitSettings(tuple(part.take(rows) for part in parts))


class UnitOptions:
    """Proposals for one unit.

    Parameters
    ----------
    hands : sequence of TrackSteps
        One a track of the unit.
    places : sequence of collection
        Places of each of these tracks that have been measured: that of the reference among them, in
        the order in which they became known. More may come in while this lives.
    movable : bool
        Whether the unit may move at all.
    refuses : callable, optional
        Whether a placement of a track must not be proposed.
    """

    def __init__(
        self,
        hands: Sequence[TrackSteps],
        places: Sequence[Collection[Place]],
        *,
        movable: bool,
        trim_db: float,
        refuses: Callable[[Track, Placement], bool] | None = None,
    ) -> None:
        self.hands, self._places, self.movable = tuple(hands), places, movable
        self._trim_db, self._refuses = trim_db, refuses
        self._single: dict[tuple[Placement, int], Settings] = {}
        # a track that is locked cannot lead the others of its bus
        self._lead = max(range(len(self.hands)), key=lambda one: len(self.hands[one].track.free))

    @property
    def start(self) -> Option:
        """The reference."""
        return tuple(hand.track.start for hand in self.hands)

    def _row(self, option: Option) -> UnitSettings:
        """One option as a row beside the places that are known."""
        return UnitSettings(tuple(map(in_places, option, map(tuple, self._places))))

    def _shared(self, settings: Settings) -> UnitSettings:
        """Options of the whole unit from settings of the track that leads it, none refused."""
        lead, parts = self.hands[self._lead], []
        for number, hand in enumerate(self.hands):
            own = number == self._lead
            places = tuple(self._places[number])
            parts.append(settings if own else followed(lead, settings, hand, places))
        kept = np.all([part.place >= 0 for part in parts], axis=0)
        if self._refuses is not None:
            for hand, part in zip(self.hands, parts, strict=True):
                for row in np.flatnonzero(kept):
                    kept[row] = not self._refuses(hand.track, part[int(row)])
        rows = np.flatnonzero(kept)
        return UnitSettings(tuple(part.take(rows) for part in parts))

    def around(self, centre: Option, count: int, rng: np.random.Generator) -> UnitSettings:
        """Options near one; the reference first, then the centre."""
        first = self._row(self.start)
        if not self.movable:
            return first
        whole = self._row(centre)
        lead = whole.parts[self._lead]
        near = around(
            self.hands[self._lead], lead, count=count, rng=rng, single=self._changes(lead)
        )
        return together(first, whole, self._shared(near))

    def _changes(self, lead: Settings) -> Settings:
        """Every change of one setting of the track that leads, known again for a while."""
        known = (lead[0], len(lead.places))
        if known not in self._single:
            if len(self._single) >= MOST_KEPT:
                self._single.clear()
            self._single[known] = single_changes(self.hands[self._lead], lead)
        return self._single[known]

    def singles(self, centre: Option) -> UnitSettings:
        """The centre first, then every change of one of its settings."""
        whole = self._row(centre)
        if not self.movable:
            return whole
        return together(whole, self._shared(self._changes(whole.parts[self._lead])))

    def pairs(self, centre: Option, first: UnitSettings) -> UnitSettings:
        """The centre first, then some of its changes each together with every other one.

        Parameters
        ----------
        centre : Option
        first : UnitSettings
            Some of `singles`.
        """
        whole = self._row(centre)
        lead = whole.parts[self._lead]
        twice = changed_twice(
            self.hands[self._lead], lead, first.parts[self._lead], self._changes(lead)
        )
        return together(whole, self._shared(twice))

    def spread(self, count: int, rng: np.random.Generator) -> UnitSettings:
        """Options over everything; the reference first."""
        first = self._row(self.start)
        if not self.movable:
            return first
        hand, places = self.hands[self._lead], tuple(self._places[self._lead])
        far = spread(hand, places, count=count, trim_db=self._trim_db, rng=rng)
        return together(first, self._shared(far))

    def simpler(self, centre: Option) -> UnitSettings:
        """The reference, the centre, and the centre with one of its settings at the reference."""
        first = self._row(self.start)
        if not self.movable:
            return first
        whole = self._row(centre)
        some = simpler(self.hands[self._lead], whole.parts[self._lead])
        return together(first, whole, self._shared(some))


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
