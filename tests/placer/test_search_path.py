"""Mixes of few moves against trying everything, and the order in which to make the moves."""

from __future__ import annotations

import itertools
import time
from collections.abc import Sequence

import numpy as np
import pytest

from placer.search.path import HELD_DB, beam_of_few, ordered, promising
from tests.placer.search_landscape import FloatArray, IntArray, Rivals


class Held(Rivals):
    """Rivals under one limit that all share: what the moves take in all must stay near nothing."""

    PENALTY = 0.1

    def __init__(self, tracks: int, options: int, seed: int) -> None:
        super().__init__(tracks, options, seed)
        self.tight = 0.4
        rng = np.random.default_rng(seed + 1000)
        self.takes = [np.r_[0.0, rng.uniform(-1, 1, options - 1)] for _ in range(tracks)]

    def violation(self, state: IntArray) -> float:
        """What is taken beyond the limit."""
        taken = sum(t[k] for t, k in zip(self.takes, state, strict=True))
        return float(max(0.0, abs(taken) - self.tight))

    def cost(self, state: IntArray) -> float:
        """Exact cost with what a broken limit costs."""
        return super().cost(state) + self.PENALTY * self.violation(state)

    def costs(self, states: IntArray) -> FloatArray:
        """Exact costs."""
        return np.array([self.cost(state) for state in states])

    def screen(self, state: IntArray, track: int, options: IntArray) -> FloatArray:
        """Estimated costs."""
        tried = np.repeat(np.asarray(state)[None], len(options), 0)
        tried[:, track] = options
        broken = np.array([self.violation(one) for one in tried])
        return super().screen(state, track, options) + self.PENALTY * broken


class Sums:
    """Units that gain or lose apart from one another, under one shared limit.

    Option 1 of a unit gains `gains` and takes `takes`; the limit holds while what is taken in all
    stays at 0 or below.
    """

    def __init__(self, gains: list[float], takes: list[float]) -> None:
        self.gains, self.takes = np.array(gains), np.array(takes)
        self.sizes = (2,) * len(gains)

    def violation(self, state: IntArray) -> float:
        """What is taken beyond nothing."""
        return float(max(0.0, np.asarray(state) @ self.takes))

    def costs(self, states: IntArray) -> FloatArray:
        """Exact costs, without what a broken limit costs."""
        found: FloatArray = 10.0 - np.asarray(states) @ self.gains
        return found

    def screen(self, state: IntArray, track: int, options: IntArray) -> FloatArray:
        """Estimated costs."""
        tried = np.repeat(np.asarray(state)[None], len(options), 0)
        tried[:, track] = options
        return self.costs(tried)


def begin(landscape: Held) -> IntArray:
    return np.zeros(len(landscape.sizes), dtype=np.int64)


def beam(
    landscape: Held, first: IntArray, moves: int, favoured: Sequence[IntArray] = ()
) -> list[IntArray]:
    """The beam over all moves that look promising."""
    return beam_of_few(landscape, first, moves, promising(landscape, first, favoured=favoured))


def everything(landscape: Held, moves: int) -> float:
    """Lowest cost of all states with so many units moved at the most."""
    states = np.array(list(itertools.product(*(range(n) for n in landscape.sizes))))
    return float(landscape.costs(states[(states != 0).sum(1) <= moves]).min())


def test_finds_the_best_of_all_states() -> None:
    """With all moves allowed, on 4 units of 6 options: how often the first state is the optimum.

    Measured: 13 of 20, with six tenths of the gain kept where it is missed; under a tight limit
    that all moves share, 8. What it begins is searched further by the units that it chose.
    """
    for tight, least in ((np.inf, 12), (0.4, 6)):
        found = 0
        for seed in range(20):
            landscape = Held(4, 6, seed)
            landscape.tight = tight
            start = landscape.cost(begin(landscape))
            best = everything(landscape, 4)
            cost = landscape.cost(beam(landscape, begin(landscape), 4)[0])
            found += cost == pytest.approx(best, rel=1e-9)
            assert start - cost >= 0.5 * (start - best)
        assert found >= least, found


@pytest.mark.parametrize("moves", [1, 2, 3])
def test_never_more_moves_than_asked(moves: int) -> None:
    """However much more would gain, only so many units move; each set once, cheapest first."""
    for seed in range(6):
        landscape = Held(6, 5, seed)
        states = beam(landscape, begin(landscape), moves)
        sets = [tuple(np.flatnonzero(state)) for state in states]
        assert len(set(sets)) == len(sets) > 1
        assert max(map(len, sets)) == moves
        costs = landscape.costs(np.array(states))
        assert list(costs) == sorted(costs)
        assert costs[0] <= landscape.cost(begin(landscape))
        assert everything(landscape, moves) <= costs[0] + 1e-12


def test_what_has_moved_stays_moved() -> None:
    """Going on from a mix leaves its moves alone and adds so many at the most."""
    landscape = Held(6, 5, 4)
    first = beam(landscape, begin(landscape), 2)[0]
    moved = first != 0
    assert moved.sum() == 2
    further = beam(landscape, first, 2)[0]
    np.testing.assert_array_equal(further[moved], first[moved])
    assert 1 <= np.sum(further != first) <= 2
    assert landscape.cost(further) < landscape.cost(first)


def test_a_favoured_option_is_tried() -> None:
    """An option that the estimates put last is tried where a good state holds it."""

    class Misjudged(Held):
        """The best option of unit 0 alone is estimated as the worst."""

        def screen(self, state: IntArray, track: int, options: IntArray) -> FloatArray:
            """Estimated costs."""
            found = super().screen(state, track, options)
            return -found if track == 0 else found

    landscape = Misjudged(2, 30, 3)
    landscape.tight = np.inf
    every = landscape.costs(np.array([[k, 0] for k in range(30)]))
    good = begin(landscape)
    good[0] = np.argmin(every)

    def lowest(favoured: list[IntArray]) -> float:
        states = beam(landscape, begin(landscape), 1, favoured)
        return min(landscape.cost(state) for state in states if state[0])

    assert lowest([good]) == every.min() < lowest([])


def test_moves_of_one_unit_are_tried_a_clear_step_apart() -> None:
    """Its best by estimate comes first; no two others are heard from one place."""
    landscape = Held(4, 40, 2)
    start = begin(landscape)
    found = promising(landscape, start)
    for unit in range(4):
        own = [option for one, option in found if one == unit]
        assert 2 <= len(own) <= 4
        options = np.arange(1, 40)
        assert own[0] == options[np.argmin(landscape.screen(start, unit, options))]
        apart = [landscape.steps(unit, a, [b])[0] for a, b in itertools.combinations(own, 2)]
        assert min(apart) >= 1.0


def test_a_beam_ends_in_time_with_what_it_has() -> None:
    """Where time is short fewer states are carried on; without any the beginning is the answer."""
    landscape = Held(8, 12, 5)
    start, tried = begin(landscape), promising(landscape, begin(landscape))
    assert len(tried) > 16
    counted = [0]

    class Slow(Held):
        """Costs take a millisecond each."""

        def costs(self, states: IntArray) -> FloatArray:
            """Exact costs."""
            counted[0] += len(states)
            time.sleep(1e-3 * len(states))
            return super().costs(states)

    slow = Slow(8, 12, 5)
    end = time.monotonic() + 0.25
    states = beam_of_few(slow, start, 6, tried, left=lambda: end - time.monotonic())
    in_time = counted[0]
    assert 3 <= max(np.sum(state != 0) for state in states) <= 6
    assert slow.cost(states[0]) < slow.cost(start)
    counted[0] = 0
    beam_of_few(slow, start, 6, tried)
    assert counted[0] > 2 * in_time
    (only,) = beam_of_few(slow, start, 6, tried, left=lambda: 0.0)
    np.testing.assert_array_equal(only, start)
    assert promising(landscape, start, left=lambda: 0.0) == []


def test_every_step_holds_the_limits_and_lowers_the_cost() -> None:
    """From the start forward, each prefix of the path is a mix worth stopping at."""
    lengths = []
    for seed in range(12):
        landscape = Held(7, 6, seed)
        goal = beam(landscape, begin(landscape), 6)[0]
        steps, reached = ordered(landscape, begin(landscape), goal)
        state, cost = begin(landscape), landscape.cost(begin(landscape))
        for step in steps:
            state[list(step.units)] = goal[list(step.units)]
            assert landscape.violation(state) <= HELD_DB
            assert step.cost == landscape.cost(state)
            assert step.cost < cost
            cost = step.cost
        np.testing.assert_array_equal(reached, state)
        units = [unit for step in steps for unit in step.units]
        assert len(set(units)) == len(units)
        assert np.all(goal[units] != 0)
        lengths.append(len(steps))
    assert max(lengths) >= 3


def test_coupled_moves_are_one_step() -> None:
    """One dries the room, one carries it and gains nothing alone: they are made together.

    Where the one that carries gains by itself, it simply comes first.
    """
    landscape = Sums(gains=[2.0, 0.5, 1.0], takes=[1.0, -1.0, 0.0])
    steps, _ = ordered(landscape, np.zeros(3, int), np.ones(3, int))
    assert [step.units for step in steps] == [(2,), (1,), (0,)]
    landscape = Sums(gains=[2.0, -0.5, 1.0], takes=[1.0, -1.0, 0.0])
    steps, reached = ordered(landscape, np.zeros(3, int), np.ones(3, int))
    assert [step.units for step in steps] == [(2,), (0, 1)]
    assert steps[-1].cost == pytest.approx(10.0 - 2.5)
    assert reached.all()


def test_the_move_that_gains_most_comes_first() -> None:
    """Where all hold the limits, the order is that of their gains."""
    steps, _ = ordered(Sums([0.3, 2.0, 1.0], [0.0] * 3), np.zeros(3, int), np.ones(3, int))
    assert [step.units for step in steps] == [(1,), (2,), (0,)]


def test_a_long_path_makes_every_move_that_gains() -> None:
    """Most are looked at only now and then; those that gain most come first, near enough."""
    gains = np.random.default_rng(0).uniform(0.1, 1.0, 60)

    class Counted(Sums):
        """Counts costs."""

        count = 0

        def costs(self, states: IntArray) -> FloatArray:
            """Exact costs."""
            self.count += len(states)
            return super().costs(states)

    landscape = Counted(list(gains), [0.0] * 60)
    steps, reached = ordered(landscape, np.zeros(60, int), np.ones(60, int))
    assert reached.all()
    assert [step.units[0] for step in steps] == list(np.argsort(-gains))
    assert landscape.count < 0.7 * 60 * 61 / 2


def test_moves_that_gain_nothing_are_left_off() -> None:
    """A goal's move that makes the mix no better is not on the path."""
    steps, reached = ordered(Sums([1.0, 0.0, -0.5], [0.0] * 3), np.zeros(3, int), np.ones(3, int))
    assert [step.units for step in steps] == [(0,)]
    np.testing.assert_array_equal(reached, [1, 0, 0])


def test_what_only_all_together_hold_is_one_step() -> None:
    """Four moves that only balance one another together are made together."""
    landscape = Sums([3.0, -0.5, -0.5, -0.5], [3.0, -1.0, -1.0, -1.0])
    steps, reached = ordered(landscape, np.zeros(4, int), np.ones(4, int))
    assert [step.units for step in steps] == [(0, 1, 2, 3)]
    assert reached.all()
    landscape.takes[0] = 9.0  # now nothing holds the limit
    steps, reached = ordered(landscape, np.zeros(4, int), np.ones(4, int))
    assert steps == ()
    assert not reached.any()


@pytest.mark.parametrize(("alone", "first"), [(1.0, (1, 2)), (2.0, (0,))])
def test_what_gains_most_a_move_goes_first(alone: float, first: tuple[int, ...]) -> None:
    """Two that need one another (3.5 together) go before one that gains less than half of it."""
    landscape = Sums([alone, 4.0, -0.5], [0.0, 2.0, -2.0])
    steps, reached = ordered(landscape, np.zeros(3, dtype=np.int64), np.ones(3, dtype=np.int64))
    assert [step.units for step in steps] == sorted([(0,), (1, 2)], key=lambda one: one != first)
    np.testing.assert_array_equal(reached, 1)


def test_those_that_may_go_alone_are_no_pair() -> None:
    """What one move frees for another makes no pair of them: each is made by itself."""
    landscape = Sums([3.0, 4.0], [-2.0, 2.0])
    steps, _ = ordered(landscape, np.zeros(2, dtype=np.int64), np.ones(2, dtype=np.int64))
    assert [step.units for step in steps] == [(0,), (1,)]
