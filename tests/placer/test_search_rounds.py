"""Rounds: the caller rebuilds the catalogues around the best, the search goes on there."""

from __future__ import annotations

import numpy as np
import pytest

from placer.search.moves import InnerResult, search_rounds
from tests.placer.search_landscape import IntArray, Rivals


class Grid:
    """A bowl over the line; its catalogue is a grid around a centre."""

    def __init__(self, centre: float, step: float) -> None:
        self.points = centre + step * np.arange(-5, 6)
        self.sizes = (11,)

    def cost(self, state: IntArray) -> float:
        """Exact cost."""
        return float((self.points[state[0]] - 0.377) ** 2)

    def screen(self, _state: IntArray, _track: int, options: IntArray) -> np.ndarray:
        """Estimated costs."""
        return (self.points[options] - 0.377) ** 2


def test_rounds_refine_around_the_best() -> None:
    """Each round searches a finer catalogue around the best; the budget is shared, not repeated."""

    def refine(landscape: Grid, result: InnerResult, number: int) -> tuple[Grid, IntArray]:
        best = landscape.points[result.best_state[0]]
        return Grid(best, 0.2 / 5**number), np.array([5])

    rounds = search_rounds(
        Grid(0.0, 0.2),
        np.array([5]),
        refine=refine,  # type: ignore[arg-type]
        rounds=4,
        rng=np.random.default_rng(0),
        max_evaluations=2000,
    )
    costs = [result.best_cost for _, result in rounds]
    assert len(rounds) == 4
    assert costs == sorted(costs, reverse=True)
    assert costs[-1] < (0.2 / 5**3) ** 2
    assert sum(result.evaluations for _, result in rounds) <= 2000 + 4 * 12
    assert rounds[0][1].evaluations == pytest.approx(1200, abs=12)


def test_stop_ends_all_rounds() -> None:
    """A stop in the first round does not start the second."""
    landscape = Rivals(12, 60, seed=2)
    rounds = search_rounds(
        landscape,
        np.zeros(12, int),
        refine=lambda same, result, _number: (same, result.best_state),
        rounds=3,
        rng=np.random.default_rng(0),
        stop=lambda: True,
    )
    assert [result.ended for _, result in rounds] == ["stop"]
