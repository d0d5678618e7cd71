"""The loop that puts the estimated cost of a track's options together, compiled.

*Conventions*: as in `placer.cost.kernel_moves`.

`own_audible`: share of one track under many options. `drift`: what an option does to the others'
share of the heard mean. `quarter`: the most hidden quarter if one share changed. `crowd_with`:
overlap if one track took an option. `screen`: the estimates.

Sources: see the plain modules.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from placer.cost.compiled import (
    F32,
    LANES,
    LEAST,
    WHOLE,
    Array,
    Picked,
    Tables,
    Work,
    jit,
    part,
    work,
)
from placer.cost.kernel import (
    coefficients,
    heard,
    load,
)
from placer.cost.kernel_mix import Setting, alike, mix_cost
from placer.cost.kernel_moves import Memo, Move


@part
def own_audible(picked: Picked, tables: Tables, move: Move, out: Array) -> None:
    """Audible share of one track in every band under each option picked, out (n, B)."""
    at = work(tables.early.shape[2])
    for start in range(0, picked.rows.size, LANES):
        size = min(LANES, picked.rows.size - start)
        for b in range(tables.band.shape[1]):
            load(b, start, picked, tables, at)
            for c in range(4):
                for i in range(LANES):
                    at.lanes[128 + 16 * c + i] = move.sums[b, c]
            coefficients(b, tables, at.lanes, 0.0)
            alone = Work(at.total, move.ears[b], at.track, at.lanes)
            heard(b, (start, 0, size), tables, alone, out)


@part
def drift(change: Array, factor: Array, cells: Array, slope: Array) -> Any:
    """Change of the heard mean of the others, from the change of a track's gains (B, 8).

    A band at A = m / (1.01 + x) whose audibility has the slope s moves to x - s change m / A^2.
    """
    total = F32(0.0)
    for b in range(change.shape[0]):
        d0, d1, d2, d3 = change[b, 0], change[b, 1], change[b, 2], change[b, 3]
        d4, d5, d6, d7 = change[b, 4], change[b, 5], change[b, 6], change[b, 7]
        for t in range(factor.size):
            moved = d0 * slope[b, 0, t] + d1 * slope[b, 1, t] + d2 * slope[b, 2, t]
            moved += d3 * slope[b, 3, t] + d4 * slope[b, 4, t] + d5 * slope[b, 5, t]
            moved += d6 * slope[b, 6, t] + d7 * slope[b, 7, t]
            level = cells[1, b, t] - cells[2, b, t] * moved
            level = level if level > WHOLE else WHOLE
            total += factor[t] * (cells[3, b, t] / (level + LEAST) - cells[0, b, t])
    return total


@part
def quarter(track: int, value: float, memo: Memo, weight: Array) -> Any:
    """Mean share of the most hidden quarter if one track's share were `value`."""
    taken, total, waiting = 0.0, 0.0, True
    for t in memo.order:
        if waiting and value <= memo.share[t]:
            now = min(weight[track], max(0.25 - taken, 0.0))
            taken, total, waiting = taken + now, total + now * value, False
        if t != track:
            now = min(weight[t], max(0.25 - taken, 0.0))
            taken, total = taken + now, total + now * memo.share[t]
        if taken >= 0.25:
            break
    if waiting:
        total += min(weight[track], max(0.25 - taken, 0.0)) * value
    return 4.0 * total


@part
def crowd_with(track: int, row: int, memo: Memo, setting: Setting) -> Any:
    """Overlap cost if one track took an option."""
    share, place, own, total = setting.target.share, setting.options.place, 0.0, 0.0
    for t in range(share.size):
        common = setting.target.common[track, t]
        crowd = memo.crowd[t]
        if common > 0.0:
            here = place[memo.rows[t]]
            new = common * alike(here, place[row])
            crowd += new - common * alike(here, place[memo.rows[track]])
            own += new
        if t != track:
            total += share[t] * crowd / (1.0 + crowd)
    return total + share[track] * own / (1.0 + own)


@jit
def screen(picked: Picked, memo: Memo, move: Move, setting: Setting, out: Array) -> None:
    """Estimated cost if one track took each of the options picked, out (n,)."""
    options, tables, target = setting
    track, share = picked.tracks[0], target.share
    now = memo.rows[track]
    cells = np.empty((picked.rows.size, tables.band.shape[1]), F32)
    own_audible(picked, tables, move, cells)
    factor, mix = np.empty(share.size, F32), np.empty(memo.mix.size)
    change = np.empty((cells.shape[1], 8), F32)
    others = -0.5 * share[track] * memo.share[track]
    for t in range(share.size):
        others += 0.5 * share[t] * memo.share[t]
        factor[t] = memo.factor[t]
    for n in range(picked.rows.size):
        row, value = picked.rows[n], 0.0
        for b in range(cells.shape[1]):
            value += cells[n, b]
            for c in range(8):
                change[b, c] = options.gains[row, b, c] - options.gains[now, b, c]
        heard_mean = others + drift(change, factor, memo.cells, move.slope)
        heard_mean += 0.5 * share[track] * value + 0.5 * quarter(track, value, memo, share)
        for c in range(mix.size):
            mix[c] = memo.mix[c] - options.whole[now, c] + options.whole[row, c]
        total = memo.own[0] - options.own[now] + options.own[row] + mix_cost(mix, target)
        total += target.weights[0] * (1.0 - heard_mean)
        out[n] = total + target.weights[1] * crowd_with(track, row, memo, setting)
