"""The inner search: better than chance, repeatable, honest about locks and limits."""

from __future__ import annotations

import itertools
import time

import numpy as np
import pytest

from placer.search.moves import InnerResult, inner_search
from placer.search.neighbours import SCREEN_MOST, block_moves, trade
from placer.search.walk import Elites, Walk
from tests.placer.search_landscape import IntArray, Rivals


def searched(landscape: Rivals, seed: int = 0, evaluations: int = 20_000) -> InnerResult:
    start = np.zeros(len(landscape.sizes), int)
    rng = np.random.default_rng(seed)
    return inner_search(landscape, start, rng=rng, max_evaluations=evaluations)


class Bowl:
    """Each track has one best option and does not care for the others; no trading."""

    sizes = (9, 1, 40, 7, 3)
    bottom = np.array([4, 0, 31, 0, 2])

    def cost(self, state: IntArray) -> float:
        """Exact cost."""
        return float(np.sum((state - self.bottom) ** 2))

    def screen(self, state: IntArray, track: int, options: IntArray) -> np.ndarray:
        """Estimated costs."""
        rest = self.cost(state) - (state[track] - self.bottom[track]) ** 2
        return rest + (options - self.bottom[track]) ** 2.0

    def partner(self, _track: int, _option: int, _other: int) -> int | None:
        """Nobody can take another's place."""
        return None


class Chairs(Bowl):
    """Five tracks on five chairs, one each: block moves alone cannot pass one another."""

    sizes = (5, 5, 5, 5, 5)
    bottom = np.array([3, 0, 4, 1, 2])

    def cost(self, state: IntArray) -> float:
        """Exact cost."""
        shared = len(state) - len(np.unique(state))
        return float(np.sum(np.abs(state - self.bottom)) + 100 * shared)

    def screen(self, state: IntArray, track: int, options: IntArray) -> np.ndarray:
        """Estimated costs."""
        tried = np.repeat(state[None], len(options), 0)
        tried[:, track] = options
        return np.array([self.cost(s) for s in tried])

    def partner(self, _track: int, option: int, _other: int) -> int | None:
        """Return the same chair."""
        return option


class Liar(Rivals):
    """Screens with noise only."""

    def screen(self, state: IntArray, track: int, options: IntArray) -> np.ndarray:
        """Estimated costs."""
        return np.random.default_rng(int(state.sum()) + track).random(len(options))


def test_bowl_is_solved_in_one_pass() -> None:
    """Where tracks do not disturb one another, one screening of each is enough."""
    bowl = Bowl()
    one_pass = sum(bowl.sizes) + 20
    result = inner_search(
        bowl, np.zeros(5, int), rng=np.random.default_rng(0), max_evaluations=one_pass
    )
    assert result.best_cost == 0
    assert np.array_equal(result.best_state, bowl.bottom)


def test_finds_the_best_of_all_states() -> None:
    """On a cue small enough to try everything, nothing better is left."""
    landscape = Rivals(5, 7, seed=3)
    everything = itertools.product(*(range(n) for n in landscape.sizes))
    best = min(landscape.cost(np.array(state)) for state in everything)
    assert searched(landscape, evaluations=6000).best_cost == pytest.approx(best, rel=1e-12)


@pytest.mark.parametrize("tracks", [8, 24])
def test_beats_chance_at_equal_evaluations(tracks: int) -> None:
    """A random search with as many full costs stays clearly behind."""
    landscape = Rivals(tracks, 60, seed=1)
    result = searched(landscape)
    rng = np.random.default_rng(0)
    chance = min(landscape.cost(rng.integers(landscape.sizes)) for _ in range(20_000))
    assert result.evaluations <= 20_000 + 61
    assert result.best_cost < 0.9 * chance


def test_same_seed_same_path() -> None:
    """Bounded by evaluations, a search repeats itself exactly; another seed goes elsewhere."""
    landscape = Rivals(12, 60, seed=2)
    first, again, other = (searched(landscape, seed) for seed in (5, 5, 6))
    assert first.evaluations == again.evaluations
    assert np.array_equal(first.best_state, again.best_state)
    assert [c for _, c in first.elites] == [c for _, c in again.elites]
    assert [c for _, c in first.elites] != [c for _, c in other.elites]


def test_watching_does_not_change_the_path() -> None:
    """A live view and a stop flag that stays down leave the search as it was."""
    landscape = Rivals(12, 60, seed=2)
    seen: list[int] = []
    watched = inner_search(
        landscape,
        np.zeros(12, int),
        rng=np.random.default_rng(0),
        max_evaluations=20_000,
        stop=lambda: False,
        on_progress=seen.append,
    )
    alone = searched(landscape)
    assert watched.evaluations == alone.evaluations
    assert [c for _, c in watched.elites] == [c for _, c in alone.elites]


def test_live_view_is_told_how_many_were_tried() -> None:
    """Before every move, never fewer than before."""
    landscape = Rivals(24, 60, seed=2)
    seen: list[int] = []
    result = inner_search(
        landscape,
        np.zeros(24, int),
        rng=np.random.default_rng(0),
        max_evaluations=5000,
        on_progress=seen.append,
    )
    assert seen[0] == 1
    assert all(a <= b for a, b in itertools.pairwise(seen))
    assert seen[-1] == result.evaluations


def test_locked_tracks_never_move() -> None:
    """A track with one option stays there in the best state and in every elite."""
    landscape = Rivals(10, 60, seed=4, locked=(0, 3, 9))
    result = searched(landscape)
    for state in [result.best_state, *(s for s, _ in result.elites)]:
        assert np.all(state[[0, 3, 9]] == 0)
        assert np.all((state >= 0) & (state < landscape.sizes))


def test_all_locked_ends_at_once() -> None:
    """With nothing to move the start is the answer, and no time is spent."""
    landscape = Rivals(3, 5, seed=4, locked=(0, 1, 2))
    result = searched(landscape)
    assert result.evaluations == 1
    assert result.best_cost == landscape.cost(np.zeros(3, int))


def test_estimates_are_never_believed() -> None:
    """Even a screen of pure noise cannot make the result worse or misstate its cost."""
    landscape = Liar(8, 40, seed=5)
    result = searched(landscape, evaluations=5000)
    assert result.best_cost <= landscape.cost(np.zeros(8, int))
    assert landscape.cost(result.best_state) == result.best_cost


def test_start_is_never_made_worse() -> None:
    """From the best known state, with little time, the best known state comes back."""
    landscape = Rivals(12, 60, seed=2)
    best = searched(landscape)
    again = inner_search(
        landscape, best.best_state, rng=np.random.default_rng(9), max_evaluations=500
    )
    assert again.best_cost <= best.best_cost


def test_elites_differ_and_are_exact() -> None:
    """Elites are sorted, bounded, truly cost what they say, and differ in a tenth of the tracks."""
    landscape = Rivals(20, 60, seed=6)
    result = searched(landscape, evaluations=60_000)
    states, costs = zip(*result.elites, strict=True)
    assert 5 <= len(states) <= 24
    assert costs[0] == result.best_cost
    assert list(costs) == sorted(costs)
    assert [landscape.cost(s) for s in states] == list(costs)
    assert min(np.sum(a != b) for a, b in itertools.combinations(states, 2)) >= 2


def test_better_twin_replaces_its_likes() -> None:
    """A better state pushes out all that resemble it; a worse one is not let in."""
    elites = Elites(capacity=3, apart=2)
    assert elites.offer(np.array([0, 0, 0]), 5.0)
    assert not elites.offer(np.array([0, 0, 1]), 6.0)
    assert elites.offer(np.array([1, 1, 0]), 7.0)
    assert elites.offer(np.array([0, 1, 0]), 4.0)
    assert elites.costs == [4.0]


def test_trade_swaps_two_places() -> None:
    """Two tracks take one another's chairs, which no block move may do on the way."""
    chairs = Chairs()
    state = chairs.bottom[[1, 0, 2, 3, 4]]
    walk = Walk(chairs, np.random.default_rng(0), elites=Elites(1, 1), max_evaluations=100)
    place = (state, walk.measure(state))
    assert all(block_moves(walk, place, np.array([t])) is place for t in range(5))
    traded = trade(walk, state, 0, 1)
    assert traded is not None
    assert chairs.cost(traded) == 0


def test_trade_needs_both_to_fit() -> None:
    """Where one may not take the other's place, or the landscape knows no places, nothing moves."""
    locked = Rivals(4, 10, seed=0, locked=(1,))
    walk = Walk(locked, np.random.default_rng(0), elites=Elites(1, 1), max_evaluations=100)
    assert trade(walk, np.zeros(4, int), 0, 1) is None
    walk = Walk(Bowl(), np.random.default_rng(0), elites=Elites(1, 1), max_evaluations=100)
    assert trade(walk, np.zeros(5, int), 0, 2) is None


def test_large_catalogues_are_screened_in_part() -> None:
    """Beyond the screening limit a random part is screened, and the search still gets there."""
    landscape = Rivals(3, 2 * SCREEN_MOST, seed=8)
    result = searched(landscape, evaluations=60_000)
    rng = np.random.default_rng(0)
    chance = min(landscape.cost(rng.integers(landscape.sizes)) for _ in range(2000))
    assert result.best_cost < chance


def test_stop_flag_ends_the_search() -> None:
    """The flag is asked before every move."""
    asked = itertools.count()
    result = inner_search(
        Rivals(12, 60, seed=2),
        np.zeros(12, int),
        rng=np.random.default_rng(0),
        stop=lambda: next(asked) > 50,
    )
    assert result.evaluations < 50 * 64


def test_deadline_ends_the_search() -> None:
    """A search in time keeps its deadline to within a few moves."""
    begun = time.monotonic()
    inner_search(
        Rivals(12, 60, seed=2),
        np.zeros(12, int),
        rng=np.random.default_rng(0),
        deadline=begun + 0.3,
    )
    assert 0.3 <= time.monotonic() - begun < 3


@pytest.mark.parametrize("start", [[0, 0, 0], [9, 0, 0, 0, 0], [-1, 0, 0, 0, 0]])
def test_start_must_be_a_state(start: list[int]) -> None:
    """A start outside the catalogues is refused by name."""
    with pytest.raises(ValueError, match="no state of a landscape"):
        inner_search(Bowl(), np.array(start), rng=np.random.default_rng(0), max_evaluations=1)
