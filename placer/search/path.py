"""The best mix of few moves, and the order in which to make them.

*Conventions*: a state is one option number a unit, shape (U,); option 0 is the reference, and a
unit that takes another one has moved. Costs are minimised and hold what broken limits cost.

`best_of_few`: the best state with so many moves at the most. `refined`: a state made better with
the same number of moves. `ordered`: moves in the order to make them, so that every step keeps all
limits and lowers the cost. `Step`: units that move together.

Sources
-------
Beam search: Lowerre (1976), from memory; exchange of moves: Lin & Kernighan (1973), from memory.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from placer.search.landscape import FloatArray, IntArray, lower

BEAM = 8
"""States that are carried from one move to the next."""

TRIED = 48
"""Moves by estimate that are worked out in full for each state carried on."""

EACH = 3
"""Best options of one unit that are tried in full."""

HELD_DB = 0.05
"""Broken limits up to this count as held, dB."""

MOST_TOGETHER = 3
"""Moves that are tried as one step where none alone keeps the limits."""

NEAREST = 14
"""Moves that such a step is put together from, the best alone."""


class PathLandscape(Protocol):
    """A cost over states with estimates of moves and broken limits."""

    @property
    def sizes(self) -> tuple[int, ...]:
        """Number of options of each unit."""

    def costs(self, states: IntArray) -> FloatArray:
        """Costs of many states, (N, U) to (N,)."""

    def violation(self, state: IntArray) -> float:
        """How far a state breaks limits, dB; 0 where it holds them all."""

    def screen(self, state: IntArray, track: int, options: IntArray) -> FloatArray:
        """Estimated cost if a unit took each of its options."""


@dataclass(frozen=True, slots=True)
class Step:
    """Units that move together, and the cost once they have."""

    units: tuple[int, ...]
    cost: float


@dataclass(frozen=True, slots=True)
class _Found:
    """A state and its cost."""

    state: IntArray
    cost: float


def _never() -> bool:
    return False


def best_of_few(
    landscape: PathLandscape,
    begin: IntArray,
    moves: int,
    *,
    over: Callable[[], bool] = _never,
) -> tuple[IntArray, float]:
    """The best state with at most so many units moved beyond those of `begin`, which stay.

    Parameters
    ----------
    landscape : PathLandscape
    begin : (U,) IntArray
    moves : int
        1 or more.
    over : callable
        True ends the search with what it has.

    Returns
    -------
    (U,) IntArray, float
        The state and its cost; `begin` where nothing is better.

    Raises
    ------
    ValueError
        Less than one move is asked for.
    """
    if moves < 1:
        raise ValueError(f"moves = {moves}: allowed: 1 or more")
    begin = np.asarray(begin, dtype=np.int64)
    best = _Found(begin, float(landscape.costs(begin[None])[0]))
    beam = [best]
    for _ in range(moves):
        longer = [found for one in beam for found in _continued(landscape, one, begin)]
        if not longer or over():
            break
        beam = _distinct(longer)
        best = min((best, *beam), key=lambda found: found.cost)
    state, cost = refined(landscape, best.state, begin, over=over)
    return state, cost


def _continued(landscape: PathLandscape, one: _Found, begin: IntArray) -> list[_Found]:
    """The best states with one more unit moved."""
    moves: list[tuple[float, int, int]] = []
    for unit, size in enumerate(landscape.sizes):
        if size < 2 or one.state[unit] != begin[unit]:
            continue
        options = np.flatnonzero(np.arange(size) != one.state[unit])
        estimate = landscape.screen(one.state, unit, options)
        for i in np.argsort(estimate, kind="stable")[:EACH]:
            moves.append((float(estimate[i]), unit, int(options[i])))
    moves = sorted(moves)[:TRIED]
    if not moves:
        return []
    states = np.repeat(one.state[None], len(moves), axis=0)
    for row, (_, unit, option) in zip(states, moves, strict=True):
        row[unit] = option
    costs = landscape.costs(states)
    return [_Found(state, float(cost)) for state, cost in zip(states, costs, strict=True)]


def _distinct(found: list[_Found]) -> list[_Found]:
    """The cheapest states that move different units."""
    kept: dict[bytes, _Found] = {}
    for one in sorted(found, key=lambda one: one.cost):
        kept.setdefault((one.state != 0).tobytes(), one)
        if len(kept) == BEAM:
            break
    return list(kept.values())


def refined(
    landscape: PathLandscape,
    state: IntArray,
    begin: IntArray,
    *,
    over: Callable[[], bool] = _never,
) -> tuple[IntArray, float]:
    """A state made better with as many moves: other options, and other units instead.

    Parameters
    ----------
    landscape : PathLandscape
    state, begin : (U,) IntArray
        Units that have moved in `begin` already are left as they are.
    over : callable

    Returns
    -------
    (U,) IntArray, float
    """
    best = _Found(np.array(state), float(landscape.costs(np.asarray(state)[None])[0]))
    while not over():
        found = _exchanged(landscape, best, begin, over)
        if not lower(found.cost, best.cost):
            break
        best = found
    return best.state, best.cost


def _exchanged(
    landscape: PathLandscape, best: _Found, begin: IntArray, over: Callable[[], bool]
) -> _Found:
    """The best state one exchange away: a moved unit goes elsewhere, or another moves instead."""
    found = best
    for unit in np.flatnonzero(best.state != begin):
        if over():
            break
        back = best.state.copy()
        back[unit] = begin[unit]
        for one in _continued(landscape, _Found(back, np.inf), begin):
            if lower(one.cost, found.cost):
                found = one
        without = float(landscape.costs(back[None])[0])
        if lower(without, found.cost):
            found = _Found(back, without)
    return found


def ordered(
    landscape: PathLandscape, begin: IntArray, goal: IntArray
) -> tuple[tuple[Step, ...], IntArray]:
    """The moves from one state to another in the order to make them.

    Every step holds all limits and lowers the cost. Moves that need one another form one step. What
    gains nothing after all others is left off.

    Parameters
    ----------
    landscape : PathLandscape
    begin, goal : (U,) IntArray

    Returns
    -------
    tuple of Step, (U,) IntArray
        And the state that they lead to.
    """
    state, goal = np.array(begin), np.asarray(goal)
    cost = float(landscape.costs(state[None])[0])
    left = [int(unit) for unit in np.flatnonzero(state != goal)]
    steps: list[Step] = []
    while left:
        step = _next_step(landscape, state, goal, left=left, cost=cost)
        if step is None:
            break
        state[list(step.units)] = goal[list(step.units)]
        cost = step.cost
        steps.append(step)
        left = [unit for unit in left if unit not in step.units]
    return tuple(steps), state


def _next_step(
    landscape: PathLandscape, state: IntArray, goal: IntArray, *, left: list[int], cost: float
) -> Step | None:
    """The fewest units, and of these the ones that gain most, that keep all limits together."""
    near = left
    for together in range(1, MOST_TOGETHER + 1):
        groups = list(itertools.combinations(near, together))
        if not groups:
            return None
        tried = _tried(landscape, state, goal, groups)
        for found, group, moved in tried:
            if not lower(found, cost):
                break
            if landscape.violation(moved) <= HELD_DB:
                return Step(group, found)
        if together == 1:
            near = [group[0] for _, group, _ in tried[:NEAREST]]
    ((found, group, moved),) = _tried(landscape, state, goal, [tuple(left)])
    if lower(found, cost) and landscape.violation(moved) <= HELD_DB:
        return Step(group, found)
    return None


def _tried(
    landscape: PathLandscape, state: IntArray, goal: IntArray, groups: list[tuple[int, ...]]
) -> list[tuple[float, tuple[int, ...], IntArray]]:
    """Costs of groups of units moved to the goal, the lowest first."""
    states = np.repeat(state[None], len(groups), axis=0)
    for row, group in zip(states, groups, strict=True):
        row[list(group)] = goal[list(group)]
    costs = landscape.costs(states)
    order = np.argsort(costs, kind="stable")
    return [(float(costs[i]), groups[i], states[i]) for i in order]
