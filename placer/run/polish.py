"""A mix made better until no change of one or two settings helps.

`polished`: the mix.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence

import numpy as np

from placer.cost.fast import Kernel
from placer.run.evaluator import Placements
from placer.run.rounds import Search
from placer.run.unit_options import together
from placer.search.units import UnitLandscape
from placer.search.walk import lower, lowest

MOST_POLISHING = 8
"""Times that a polish goes through all units."""

POLISHED_PAIRS, VERIFIED = 400, 6
"""Pairs of changes of two units, and estimated changes of one, that a polish works out in full."""

POLISHED, POLISHED_TOGETHER = 12, 12
"""Changes of one setting, the best if nothing were limited, that a polish tries with every other
one of the same unit, and of other units."""


def polished(
    search: Search,
    mix: Placements,
    free: Iterable[int],
    kernel: Kernel | None = None,
    *,
    end: float | None = None,
) -> Placements:
    """A mix made better until no change of one or two settings helps.

    Both may be settings of one unit, or of two: a limit that all share often lets one come
    nearer only if another goes farther.

    Parameters
    ----------
    free : iterable of int
        Units that may move.
    kernel : Kernel, optional
    end : float, optional
        `time.monotonic` at which it ends with what it has.
    """
    among = sorted(free)

    def over() -> bool:
        return search.clock.stopped() or (end is not None and time.monotonic() >= end)

    for _ in range(MOST_POLISHING):
        before = mix
        for unit in search.rng.permutation(among):
            if not over():
                mix = _polished_alone(search, mix, int(unit), kernel)
        if len(among) > 1 and not over():
            mix = _polished_together(search, mix, among, kernel)
        if mix == before or over():
            break
    return mix


def _polished_alone(
    search: Search, mix: Placements, unit: int, kernel: Kernel | None
) -> Placements:
    """The best of a mix with one or two settings of one unit changed."""
    options, own = search.alone(mix), search.options[unit]
    centre = search.of_units(mix)[unit]
    options[unit] = own.singles(centre)
    if len(options[unit]) < 2:
        return mix
    units, tracks = search.landscape(options, kernel)
    gentle = UnitLandscape(tracks.penalised(0.0), search.units)
    start = np.zeros(len(options), dtype=np.int64)
    costs = gentle.screen(start, unit, np.arange(len(options[unit])))
    first = options[unit].take(np.argsort(costs, kind="stable")[:POLISHED])
    options[unit] = together(options[unit], own.pairs(centre, first))
    units, _ = search.landscape(options, kernel)
    state = np.zeros(len(options), dtype=np.int64)
    estimate = units.screen(state, unit, np.arange(len(options[unit])))
    states = np.repeat(state[None], VERIFIED + 1, axis=0)
    states[1:, unit] = np.argsort(estimate, kind="stable")[:VERIFIED]
    costs = units.costs(states)
    best = lowest(costs)
    return search.mix_of(options, states[best]) if lower(costs[best], costs[0]) else mix


def _polished_together(
    search: Search, mix: Placements, free: Sequence[int], kernel: Kernel | None
) -> Placements:
    """A mix with settings of two units changed, one pair after another, the best first."""
    options, place = search.alone(mix), search.of_units(mix)
    for unit in free:
        options[unit] = search.options[unit].singles(place[unit])
    units, tracks = search.landscape(options, kernel)
    gentle = UnitLandscape(tracks.penalised(0.0), search.units)
    state = np.zeros(len(options), dtype=np.int64)
    cost = units.cost(state)
    own = {
        unit: gentle.screen(state, unit, np.arange(len(options[unit]))) - gentle.cost(state)
        for unit in free
    }
    every = [(unit, k) for unit in free for k in range(1, len(own[unit]))]
    gains = np.array([own[unit][k] for unit, k in every])
    order = np.argsort(gains, kind="stable")
    good = [i for i in order[:POLISHED_TOGETHER] if gains[i] < 0.0]
    pairs = sorted(
        (
            (i, j)
            for n, i in enumerate(good)
            for j in order[n + 1 :]
            if every[i][0] != every[j][0] and gains[i] + gains[j] < 0.0
        ),
        key=lambda pair: gains[pair[0]] + gains[pair[1]],
    )[:POLISHED_PAIRS]
    if not pairs:
        return mix
    states = np.zeros((len(pairs), len(options)), dtype=np.int64)
    for row, (i, j) in zip(states, pairs, strict=True):
        row[every[i][0]], row[every[j][0]] = every[i][1], every[j][1]
    costs = units.costs(states)
    taken = state.copy()
    for i in np.argsort(costs, kind="stable")[:VERIFIED]:
        moved = np.flatnonzero(states[i])
        tried = taken.copy()
        tried[moved] = states[i][moved]
        reached = units.cost(tried)
        if lower(reached, cost):
            taken, cost = tried, reached
    return search.mix_of(options, taken)
