"""The inner search: thousands of moves a second on one landscape, in process, no bookkeeping.

Iterated local search. From a settled state a group of tracks is kicked (or two trade places), the
group and as many bystanders settle again, and the result stays if it is better. When nothing has
helped for a while the walk starts anew, from two elites crossed or from a random state.

*Conventions*: as in `landscape`. The path depends on `rng` and the evaluations only, so a search
that is bounded by evaluations repeats itself exactly; one bounded by time does not.

`inner_search`: until a deadline, a number of evaluations or a stop.

Sources
-------
Lourenço, Martin, Stützle 2003, "Iterated local search" (Handbook of Metaheuristics, ch. 11).
Annealed acceptance was measured and left out: over six invented cues of 12 tracks the mean cost was
0.999 of that without (standard error 0.001); tests/benchmarks/test_search.py.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from placer.search.neighbours import Place, kick, settle, trade
from placer.search.walk import Elites, IntArray, Landscape, Walk, lower

KICK_LEAST, KICK_MOST = 2, 1.5
"""Tracks kicked at once: the least, and the most, times the square root of all that may move; sizes
are spread evenly in their logarithm. Up to five of a dozen instead of two, and `TIRED` at 20
instead of 60, gained 1 to 6 % more on three cues."""

TRADES = 0.3
"""Part of the kicks that are trades of two places, where tracks can take one another's."""

PASSES = 2
"""Times that a kicked group is gone through before it is judged."""

TIRED = 20
"""Kicks in a row without gain after which a walk starts anew."""

ELITES = 24
APART = 0.1
"""Part of the free tracks in which two elites differ at least."""


@dataclass(frozen=True, slots=True)
class InnerResult:
    """What a search found.

    Attributes
    ----------
    best_state : (T,)
    best_cost : its full cost
    evaluations : full costs and screened options
    elites : (state, cost) of good states that differ, best first
    """

    best_state: IntArray
    best_cost: float
    evaluations: int
    elites: tuple[tuple[IntArray, float], ...]


def inner_search(
    landscape: Landscape,
    start_state: IntArray,
    *,
    rng: np.random.Generator,
    deadline: float | None = None,
    max_evaluations: int | None = None,
    stop: Callable[[], bool] = bool,
    on_progress: Callable[[int], None] | None = None,
) -> InnerResult:
    """Search from `start_state` until the deadline, the evaluations or the stop flag.

    Parameters
    ----------
    landscape : what to search
    start_state : (T,) where to begin; never made worse
    rng : source of every choice
    deadline : `time.monotonic` time, s
    max_evaluations : full costs and screened options; overstepped by less than one screening
    stop : asked before every move
    on_progress : told the evaluations so far before every move

    Raises
    ------
    ValueError
        If the start is not a state of this landscape.
    """
    start = np.array(start_state, dtype=np.int64)
    sizes = np.array(landscape.sizes)
    if start.shape != sizes.shape or np.any(start < 0) or np.any(start >= sizes):
        raise ValueError(f"start_state {start} is no state of a landscape of sizes {sizes}")
    free = int(np.sum(sizes > 1))
    elites = Elites(ELITES, max(1, round(APART * free)))
    walk = Walk(
        landscape, rng, elites=elites, max_evaluations=max_evaluations, deadline=deadline,
        stop=stop, on_progress=on_progress,
    )  # fmt: skip
    place: Place = (start, walk.measure(start))
    elites.offer(*place)
    while free and not walk.over():
        _climb(walk, place)
        begin = _new_start(walk)
        place = (begin, walk.measure(begin))
    return InnerResult(
        walk.best_state,
        walk.best_cost,
        walk.evaluations,
        tuple(zip(elites.states, elites.costs, strict=True)),
    )


def _climb(walk: Walk, place: Place) -> None:
    """Improve one place by kicks until it is tired or a limit is reached."""
    place = settle(walk, place, walk.free)
    walk.elites.offer(*place)
    idle = 0
    while idle < TIRED and not walk.over():
        kicked, group = _kicked(walk, place[0])
        found = settle(walk, (kicked, walk.measure(kicked)), group, passes=PASSES)
        walk.elites.offer(*found)
        idle += 1
        if lower(found[1], place[1]):
            place, idle = found, 0
    walk.elites.offer(*settle(walk, place, walk.free))


def _kicked(walk: Walk, state: IntArray) -> tuple[IntArray, IntArray]:
    """Disturb a state; also the tracks that should settle afterwards."""
    order = walk.rng.permutation(walk.free)
    if walk.rng.random() < TRADES and len(order) > 1:
        traded = trade(walk, state, int(order[0]), int(order[1]))
        if traded is not None:
            return traded, order[:6]
    most = max(KICK_LEAST + 1.0, KICK_MOST * np.sqrt(len(order)))
    size = int(np.exp(walk.rng.uniform(np.log(KICK_LEAST), np.log(most))))
    return kick(walk, state, order[:size]), order[: 2 * size + 1]


def _new_start(walk: Walk) -> IntArray:
    """Cross two elites, or every third time and while there is one only, scatter."""
    known = walk.elites.states
    if len(known) < 2 or walk.rng.random() < 1 / 3:
        return walk.rng.integers(walk.landscape.sizes)
    one, other = walk.rng.choice(len(known), 2, replace=False)
    first = walk.rng.random(len(known[one])) < 0.5
    crossed: IntArray = np.where(first, known[one], known[other])
    return crossed
