"""Which few units to move, and the order in which to do so.

*Conventions*: a state is one option number a unit, shape (U,); option 0 is the reference, and a
unit that takes another one has moved. Costs are minimised and hold what broken limits cost.

`promising`: moves worth trying. `beam_of_few`: good states with so many of them, of different
units. `ordered`: moves in the order to make them, so that every step keeps all limits and lowers
the cost. `Step`: units that move together.

Sources
-------
Beam search: Lowerre (1976), from memory.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from placer.search.walk import IntArray, Landscape, lower

BEAM = 5
"""States that are carried from one move to the next."""

EACH = 4
"""Best options of one unit alone that are tried in full, a clear step from one another."""

MOST_TRIED, LEAST_TRIED = 120, 12
"""Moves that are tried in full at each step, the best alone of all units: the most, and how many at
least where time is short."""

LOOKED_AT = 16
"""Moves that are looked at for the next steps of a long path, so many steps: those that gained most
when all were looked at."""

HELD_DB = 0.05
"""Broken limits up to this count as held, dB."""

MOST_TOGETHER = 3
"""Moves that are tried as one step where none alone keeps the limits."""

NEAREST = 14
"""Moves that such a step is put together from, the best alone."""


@dataclass(frozen=True, slots=True)
class Step:
    """Units that move together, and the cost once they have."""

    units: tuple[int, ...]
    cost: float


Moves = list[tuple[int, int]]
"""Units and the options that they may take."""

_Found = tuple[float, IntArray]
"""A state's cost, and the state."""


def promising(
    landscape: Landscape,
    begin: IntArray,
    *,
    favoured: Sequence[IntArray] = (),
    left: Callable[[], float] = lambda: np.inf,
) -> Moves:
    """Moves worth trying in full, the best alone first.

    Parameters
    ----------
    begin : (U,) IntArray
    favoured : sequence of (U,) IntArray
        Good states with any number of moves, whose options are among them.
    left : callable
        Time that is left, s; once there is none, what has been found so far is the answer.

    Returns
    -------
    list of (unit, option)
        Of each unit the best by estimate and others heard from elsewhere.
    """
    found: dict[tuple[int, int], float] = {}
    for unit in (unit for unit, size in enumerate(landscape.sizes) if size > 1):
        if left() <= 0.0:
            break
        options = np.flatnonzero(np.arange(landscape.sizes[unit]) != begin[unit])
        estimate = landscape.screen(begin, unit, options)
        chosen: list[int] = []
        for i in np.argsort(estimate, kind="stable"):
            if not chosen or landscape.steps(unit, int(options[i]), chosen).min() >= 1.0:
                chosen.append(int(options[i]))
            if len(chosen) == EACH:
                break
        chosen += [int(state[unit]) for state in favoured if state[unit] != begin[unit]]
        costs = dict(zip(options.tolist(), estimate.tolist(), strict=True))
        found.update({(unit, option): costs[option] for option in chosen})
    return sorted(found, key=lambda move: found[move])[:MOST_TRIED]


def beam_of_few(
    landscape: Landscape,
    begin: IntArray,
    moves: int,
    tried: Moves,
    *,
    most: int = BEAM,
    left: Callable[[], float] = lambda: np.inf,
) -> list[IntArray]:
    """Good states with so many units moved beyond those of `begin`, which stay.

    Parameters
    ----------
    begin : (U,) IntArray
    moves : int
        1 or more.
    tried : list of (unit, option)
        From `promising`.
    most : int
        States that are carried from one move to the next; fewer where time is short.
    left : callable
        Time that is left, s; once there is none, what has been found so far is the answer.

    Returns
    -------
    list of (U,) IntArray
        The cheapest first, no two of which move the same units; a state of fewer moves, or `begin`,
        before them where it is cheaper.
    """
    begin = np.asarray(begin, dtype=np.int64)
    best: _Found = (float(landscape.costs(begin[None])[0]), begin)
    beam, each_s = [best], 0.0
    for more in range(moves, 0, -1):
        # states that time allows to carry on, of those that are left to choose
        carried = left() / (more * each_s) if each_s else np.inf
        if carried < 1.0:
            tried = tried[: max(LEAST_TRIED, int(carried * len(tried)))]
        longer: list[_Found] = []
        for one in beam[: int(min(max(carried, 1.0), most))]:
            if left() <= 0.0:
                break
            now = time.monotonic()
            longer += _continued(landscape, one[1], begin, tried)
            each_s = time.monotonic() - now
        if not longer:
            break
        beam = _distinct(longer, begin, most)
        best = beam[0] if beam[0][0] < best[0] else best
    before = [] if best is beam[0] else [best]
    return [state for _, state in (*before, *beam)]


def _continued(
    landscape: Landscape, state: IntArray, begin: IntArray, tried: Moves
) -> list[_Found]:
    """States with one more unit moved, each worked out in full."""
    moves = [move for move in tried if state[move[0]] == begin[move[0]]]
    if not moves:
        return []
    states = np.repeat(state[None], len(moves), axis=0)
    for row, (unit, option) in zip(states, moves, strict=True):
        row[unit] = option
    return list(zip(landscape.costs(states).tolist(), states, strict=True))


def _distinct(found: list[_Found], begin: IntArray, most: int) -> list[_Found]:
    """The cheapest states that move different units."""
    kept: dict[bytes, _Found] = {}
    for one in sorted(found, key=lambda one: one[0]):
        kept.setdefault((one[1] != begin).tobytes(), one)
        if len(kept) == most:
            break
    return list(kept.values())


def ordered(
    landscape: Landscape, begin: IntArray, goal: IntArray
) -> tuple[tuple[Step, ...], IntArray]:
    """The moves from one state to another in the order to make them.

    Every step holds all limits and lowers the cost. Moves that need one another form one step. What
    gains nothing after all others is left off.

    Parameters
    ----------
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
        if len(steps) % LOOKED_AT == 0:
            alone = [(unit,) for unit in left]
            left = [group[0] for _, group, _ in _tried(landscape, state, goal, alone)]
        step = _next_step(landscape, state, goal, left=left[:LOOKED_AT], cost=cost)
        if step is None and len(left) > LOOKED_AT:
            step = _next_step(landscape, state, goal, left=left, cost=cost)
        if step is None:
            step = _step_of_all(landscape, state, goal, left=left, cost=cost)
        if step is None:
            break
        state[list(step.units)] = goal[list(step.units)]
        cost = step.cost
        steps.append(step)
        left = [unit for unit in left if unit not in step.units]
    return tuple(steps), state


def _next_step(
    landscape: Landscape, state: IntArray, goal: IntArray, *, left: list[int], cost: float
) -> Step | None:
    """The few units that gain most a unit and keep all limits together.

    Units go together only where none of them may go alone.
    """
    near, best, alone = left, None, set[int]()
    for together in range(1, MOST_TOGETHER + 1):
        if together > 2 and best is not None:
            break
        groups = [one for one in itertools.combinations(near, together) if not alone & {*one}]
        if not groups:
            continue
        tried = _tried(landscape, state, goal, groups)
        for found, group, moved in tried:
            if not lower(found, cost):
                break
            if landscape.violation(moved) > HELD_DB:
                continue
            if together == 1:
                alone.add(*group)
            if best is None or (cost - found) * len(best.units) > (cost - best.cost) * together:
                best = Step(group, found)
        if together == 1:
            near = [group[0] for _, group, _ in tried[:NEAREST]]
    return best


def _step_of_all(
    landscape: Landscape, state: IntArray, goal: IntArray, *, left: list[int], cost: float
) -> Step | None:
    """All units that are left, if they gain and keep all limits together."""
    ((found, group, moved),) = _tried(landscape, state, goal, [tuple(left)])
    if lower(found, cost) and landscape.violation(moved) <= HELD_DB:
        return Step(group, found)
    return None


def _tried(
    landscape: Landscape, state: IntArray, goal: IntArray, groups: Sequence[tuple[int, ...]]
) -> list[tuple[float, tuple[int, ...], IntArray]]:
    """Costs of groups of units moved to the goal, the lowest first."""
    states = np.repeat(state[None], len(groups), axis=0)
    for row, group in zip(states, groups, strict=True):
        row[list(group)] = goal[list(group)]
    costs = landscape.costs(states)
    order = np.argsort(costs, kind="stable")
    return [(float(costs[i]), groups[i], states[i]) for i in order]
