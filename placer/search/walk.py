"""What the inner search walks on, and what it keeps while walking.

*Conventions*: a state is one option number per track, shape (T,); a track with one option is
locked. Costs are minimised. An evaluation is one full cost or one screened option. Clock times are
`time.monotonic` seconds.

Records: `Landscape`, `Elites`, `Walk`.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]
IntArray = NDArray[np.integer[Any]]

LEAST_GAIN = 1e-9
"""A cost counts as lower only by this part of itself: rounding must not move anyone."""


class Landscape(Protocol):
    """A cost over states, with a quick estimate for moves of one track or unit."""

    @property
    def sizes(self) -> tuple[int, ...]:
        """Number of options of each track; 1 is locked."""

    def cost(self, state: IntArray) -> float:
        """Full cost of `state`."""

    def costs(self, states: IntArray) -> FloatArray:
        """Full costs of many states, (N, T) to (N,)."""

    def violation(self, state: IntArray) -> float:
        """How far a state breaks limits, dB; 0 where it holds them all."""

    def screen(self, state: IntArray, track: int, options: IntArray) -> FloatArray:
        """Estimated cost if `track` took each of `options`, the others staying."""

    def partner(self, track: int, option: int, other: int) -> int | None:
        """Option of `other` nearest to where `option` puts `track`; None if it may not go there."""

    def steps(self, track: int, option: int, others: Sequence[int]) -> FloatArray:
        """Clear steps (n,) between where one option of a track is heard and where others are."""


class Elites:
    """A bounded pool of good states, any two of which differ in at least `apart` tracks.

    Parameters
    ----------
    capacity : most states kept
    apart : tracks in which two kept states differ at least
    """

    def __init__(self, capacity: int, apart: int) -> None:
        self._capacity = capacity
        self._apart = apart
        self.states: list[IntArray] = []
        self.costs: list[float] = []

    def offer(self, state: IntArray, cost: float) -> bool:
        """Keep `state` if it is better than all that resemble it; says whether it was kept."""
        full = len(self.costs) == self._capacity
        if full and cost >= self.costs[-1]:
            return False
        alike = [int(np.sum(s != state)) < self._apart for s in self.states]
        if any(a and c <= cost for a, c in zip(alike, self.costs, strict=True)):
            return False
        kept = [i for i, a in enumerate(alike) if not a]
        pool = [(self.costs[i], self.states[i]) for i in kept] + [(cost, state.copy())]
        pool.sort(key=lambda p: p[0])  # stable: ties keep their order
        self.costs = [c for c, _ in pool[: self._capacity]]
        self.states = [s for _, s in pool[: self._capacity]]
        return True


class Walk:
    """Counts, watches the limits, and remembers the best and the elites of one search.

    Parameters
    ----------
    landscape : what is walked on
    rng : source of every choice
    elites : pool of good states
    max_evaluations, deadline, stop : what ends it
    on_progress : told the evaluations so far before every move
    """

    def __init__(
        self,
        landscape: Landscape,
        rng: np.random.Generator,
        *,
        elites: Elites,
        max_evaluations: int | None = None,
        deadline: float | None = None,
        stop: Callable[[], bool] = bool,
        on_progress: Callable[[int], None] | None = None,
    ) -> None:
        self.landscape = landscape
        self.rng = rng
        self.elites = elites
        self.free = np.flatnonzero(np.array(landscape.sizes) > 1)
        self.evaluations = 0  # full costs and screened options
        self.best_state: IntArray = np.zeros(0, int)
        self.best_cost = np.inf
        self._most, self._deadline, self._stop = max_evaluations, deadline, stop
        self._on_progress = on_progress

    def over(self) -> bool:
        """Whether any limit has been reached; tells the live view on the way."""
        if self._on_progress is not None:
            self._on_progress(self.evaluations)
        return (
            self._stop()
            or (self._deadline is not None and time.monotonic() >= self._deadline)
            or (self._most is not None and self.evaluations >= self._most)
        )

    def measure(self, state: IntArray) -> float:
        """Full cost of `state`, remembered if it is the best."""
        cost = float(self.landscape.cost(state))
        self.evaluations += 1
        if lower(cost, self.best_cost):
            self.best_cost = cost
            self.best_state = state.copy()
        return cost

    def screen(self, state: IntArray, track: int, options: IntArray) -> FloatArray:
        """Estimated cost of each option of one track."""
        self.evaluations += len(options)
        return self.landscape.screen(state, track, options)


def lowest(costs: FloatArray) -> int:
    """Number of the first of some costs (n,) that none is lower than."""
    return int(np.argmin(costs > np.min(costs) + LEAST_GAIN * abs(np.min(costs))))


def lower(cost: float, than: float) -> bool:
    """Whether `cost` is lower by more than rounding."""
    return cost < than - LEAST_GAIN * abs(than) if np.isfinite(than) else cost < than
