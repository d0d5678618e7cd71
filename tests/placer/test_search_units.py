"""Tracks that move as one: a landscape walked by buses is the same landscape."""

from __future__ import annotations

import numpy as np
import pytest

from placer.search.moves import inner_search
from placer.search.units import UnitLandscape, Units
from tests.placer.search_landscape import FloatArray, IntArray, Rivals


class Tracks(Rivals):
    """Rivals that tell the costs of many states."""

    def costs(self, states: IntArray) -> FloatArray:
        """Exact costs."""
        return np.array([self.cost(state) for state in states])

    def violation(self, state: IntArray) -> float:
        """How many tracks are at their last option."""
        return float(np.sum(np.asarray(state) == np.array(self.sizes) - 1))


UNITS = Units([(0,), (1, 3), (2,), (4, 5)])


@pytest.mark.parametrize("members", [[(0, 1), (1, 2)], [(0,), (2,)]])
def test_every_track_stands_in_one_unit(members: list[tuple[int, ...]]) -> None:
    """A track twice, or none at all, is refused."""
    with pytest.raises(ValueError, match="every track must stand in one unit"):
        Units(members)


def test_a_state_of_units_is_one_of_tracks() -> None:
    """All tracks of a bus take its option, in the order of the tracks; also of many states."""
    np.testing.assert_array_equal(UNITS.tracks(np.array([7, 1, 2, 9])), [7, 1, 2, 1, 9, 9])
    assert UNITS.tracks(np.zeros((3, 4), int)).shape == (3, 6)


def test_costs_and_limits_are_those_of_the_tracks() -> None:
    """Walking by units changes no cost and no limit."""
    tracks = Tracks(6, 9, seed=1)
    units = UnitLandscape(tracks, UNITS)
    states = np.random.default_rng(0).integers(0, 9, (20, 4))
    expected = tracks.costs(UNITS.tracks(states))
    np.testing.assert_array_equal(units.costs(states), expected)
    assert [units.cost(state) for state in states] == list(expected)
    full = np.array([8, 8, 0, 0])
    assert units.violation(full) == 3.0


def test_estimates_of_a_track_are_those_of_the_landscape() -> None:
    """A track alone is screened as it is."""
    tracks = Tracks(6, 9, seed=1)
    units, state, every = UnitLandscape(tracks, UNITS), np.array([1, 2, 3, 4]), np.arange(9)
    np.testing.assert_array_equal(
        units.screen(state, 2, every), tracks.screen(UNITS.tracks(state), 2, every)
    )


@pytest.mark.parametrize("most", [1, 8])
def test_the_best_options_of_a_bus_are_worked_out_in_full(
    most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So is where it stands; a bus of more tracks than are added up is exact throughout."""
    monkeypatch.setattr("placer.search.units.MOST_ADDED", most)
    tracks = Tracks(6, 60, seed=1)
    units, state, every = UnitLandscape(tracks, UNITS), np.array([1, 2, 3, 4]), np.arange(60)
    tried = np.repeat(state[None], 60, 0)
    tried[:, 1] = every
    exact, found = units.costs(tried), units.screen(state, 1, every)
    same = np.isclose(found, exact, rtol=1e-12)
    assert same[2]
    assert same[np.argsort(found)[:4]].all()
    assert same.sum() == 60 if most == 1 else 9 <= same.sum() < 60
    # the best of all is seldom far from those that were worked out
    assert found.min() <= np.quantile(exact, 0.05)


def test_a_bus_has_no_partner() -> None:
    """Two tracks may take one another's places, a bus and a track may not."""
    tracks = Tracks(6, 9, seed=1)
    units = UnitLandscape(tracks, UNITS)
    assert units.partner(0, 3, 2) == tracks.partner(0, 3, 2)
    assert units.partner(0, 3, 1) is None
    assert units.partner(3, 3, 0) is None
    np.testing.assert_array_equal(units.steps(1, 2, [0, 4]), tracks.steps(1, 2, [0, 4]))


def test_a_bus_needs_as_many_options_for_each_track() -> None:
    """Tracks that move as one but have catalogues of different lengths are refused."""
    with pytest.raises(ValueError, match="move as one but have"):
        UnitLandscape(Tracks(6, 9, seed=1, locked=(3,)), UNITS)


def test_the_search_walks_by_units() -> None:
    """The inner search finds what trying every state of the units finds."""
    units = UnitLandscape(Tracks(4, 7, seed=2), Units([(0, 2), (1,), (3,)]))
    grid = np.stack(np.meshgrid(*[np.arange(7)] * 3, indexing="ij"), -1).reshape(-1, 3)
    found = inner_search(
        units, np.zeros(3, int), rng=np.random.default_rng(0), max_evaluations=4000
    )
    assert found.best_cost == pytest.approx(units.costs(grid).min(), rel=1e-12)
