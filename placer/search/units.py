"""Tracks that move as one.

A bus is one move for a hand, however many tracks it holds: all of them take the same change. The
search therefore walks over units, each one track or one bus.

*Conventions*: U units, T tracks; a state of units is (U,) option numbers, of tracks (T,). Option k
of a unit is option k of every track in it; option 0 is the reference.

`Units`: which tracks move as one. `UnitLandscape`: a landscape of tracks as the search walks it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from placer.search.walk import FloatArray, IntArray, Landscape

MOST_ADDED, IN_FULL = 8, 8
"""Tracks of a bus at the most, of which changes alone are added up; options that are worked out in
full then, the best."""


class Units:
    """Which tracks move as one.

    Parameters
    ----------
    members : sequence of sequence of int
        Tracks of each unit; every track once.

    Raises
    ------
    ValueError
        A track is missing or stands twice.
    """

    def __init__(self, members: Sequence[Sequence[int]]) -> None:
        self.members = tuple(tuple(unit) for unit in members)
        every = sorted(track for unit in self.members for track in unit)
        if every != list(range(len(every))):
            raise ValueError(f"every track must stand in one unit, got {self.members}")
        self.of_track = np.zeros(len(every), dtype=np.int64)
        for number, unit in enumerate(self.members):
            self.of_track[list(unit)] = number

    def __len__(self) -> int:
        """Number of units."""
        return len(self.members)

    def tracks(self, states: IntArray) -> IntArray:
        """States of tracks (..., T) from states of units (..., U)."""
        expanded: IntArray = np.asarray(states)[..., self.of_track]
        return expanded


class UnitLandscape:
    """A landscape of tracks, walked by units.

    Parameters
    ----------
    landscape : Landscape
        Its tracks of one unit have equally many options.
    """

    def __init__(self, landscape: Landscape, units: Units) -> None:
        self._landscape, self.units = landscape, units
        sizes = np.array(landscape.sizes)
        for unit in units.members:
            if len(set(sizes[list(unit)])) > 1:
                raise ValueError(f"tracks {unit} move as one but have {sizes[list(unit)]} options")
        self.sizes = tuple(int(sizes[unit[0]]) for unit in units.members)

    def cost(self, state: IntArray) -> float:
        """Cost of one state (U,)."""
        return float(self.costs(np.asarray(state)[None])[0])

    def costs(self, states: IntArray) -> FloatArray:
        """Costs of many states, (N, U) to (N,)."""
        return self._landscape.costs(self.units.tracks(states))

    def violation(self, state: IntArray) -> float:
        """How far a state breaks limits, dB; 0 where it holds them all."""
        return self._landscape.violation(self.units.tracks(state))

    def screen(self, state: IntArray, track: int, options: IntArray) -> FloatArray:
        """Estimated cost if a unit took each of its options.

        Changes that tracks of a bus make alone are added up, and the best few worked out in full,
        which no other one goes before; a large bus is worked out in full throughout.
        """
        members, wanted = self.units.members[track], np.asarray(options)
        before = self.units.tracks(state)
        if len(members) == 1:
            return self._landscape.screen(before, members[0], wanted)
        states = np.repeat(np.asarray(state)[None], len(wanted), axis=0)
        states[:, track] = wanted
        if len(members) > MOST_ADDED:
            return self.costs(states)
        cost = self.cost(state)
        alone = [self._landscape.screen(before, member, wanted) - cost for member in members]
        found: FloatArray = cost + np.sum(alone, axis=0)
        best = np.argsort(found, kind="stable")[:IN_FULL]
        exact = self.costs(states[best])
        found = np.maximum(found, exact.max())
        found[best] = exact
        found[wanted == state[track]] = cost
        return found

    def partner(self, track: int, option: int, other: int) -> int | None:
        """Option of another unit nearest to where an option puts one; None for a bus."""
        one, two = self.units.members[track], self.units.members[other]
        if len(one) > 1 or len(two) > 1:
            return None
        return self._landscape.partner(one[0], option, two[0])

    def steps(self, track: int, option: int, others: Sequence[int]) -> FloatArray:
        """Clear steps (n,) between options of a unit; of a bus, those of its first track."""
        return self._landscape.steps(self.units.members[track][0], option, others)
