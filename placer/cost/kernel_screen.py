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
    NONE,
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
    at, track = work(tables.early.shape[2]), picked.tracks[0]
    out[:] = NONE
    for start in range(0, picked.rows.size, LANES):
        size = min(LANES, picked.rows.size - start)
        for i in range(size):
            at.track[i], at.row[i] = track, picked.rows[start + i]
        for b in range(tables.band.shape[1]):
            if tables.marginal[b, track] == NONE:
                continue
            load(b, size, picked.gains, tables, at)
            for c in range(4):
                for i in range(LANES):
                    at.lanes[128 + 16 * c + i] = move.sums[b, c]
            coefficients(b, tables, at.lanes, 0.0)
            alone = Work(at.total, move.ears[b], at.track, at.row, at.lanes)
            heard(b, 0, size, tables, alone)
            for i in range(size):
                out[start + i, b] = at.lanes[432 + i]


@part
def drift(picked: Picked, memo: Memo, move: Move, tables: Tables, out: Array) -> None:
    """Change of the heard mean of the others, out (n,), if a track went to each row picked.

    A band at A = m / (1.01 + x) whose audibility has the slope s moves to x - s change m / A^2.
    """
    gains, now = picked.gains, memo.rows[picked.tracks[0]]
    factor = np.empty(tables.bearing.size, F32)
    for n in range(factor.size):
        factor[n] = memo.factor[tables.bearing[n]]
    out[:] = 0.0
    for b in range(tables.first.size - 1):
        part = slice(tables.first[b], tables.first[b + 1])
        share, slope, cells = factor[part], move.slope, memo.cells
        s0, s1, s2, s3 = slope[0, part], slope[1, part], slope[2, part], slope[3, part]
        s4, s5, s6, s7 = slope[4, part], slope[5, part], slope[6, part], slope[7, part]
        heard_now, over, steep, most = (
            cells[0, part],
            cells[1, part],
            cells[2, part],
            cells[3, part],
        )
        for i in range(picked.rows.size):
            r = picked.rows[i]
            d0, d1 = gains[r, b, 0] - gains[now, b, 0], gains[r, b, 1] - gains[now, b, 1]
            d2, d3 = gains[r, b, 2] - gains[now, b, 2], gains[r, b, 3] - gains[now, b, 3]
            d4, d5 = gains[r, b, 4] - gains[now, b, 4], gains[r, b, 5] - gains[now, b, 5]
            d6, d7 = gains[r, b, 6] - gains[now, b, 6], gains[r, b, 7] - gains[now, b, 7]
            total = NONE
            for n in range(share.size):
                moved = d0 * s0[n] + d1 * s1[n] + d2 * s2[n] + d3 * s3[n]
                moved += d4 * s4[n] + d5 * s5[n] + d6 * s6[n] + d7 * s7[n]
                level = over[n] - steep[n] * moved
                level = level if level > WHOLE else WHOLE
                total += share[n] * (most[n] / (level + LEAST) - heard_now[n])
            out[i] += total


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
    mix = np.empty(memo.mix.size)
    others = -0.5 * share[track] * memo.share[track]
    for t in range(share.size):
        others += 0.5 * share[t] * memo.share[t]
    drift(picked, memo, move, tables, out)
    for n in range(picked.rows.size):
        row, value = picked.rows[n], 0.0
        for b in range(cells.shape[1]):
            value += cells[n, b]
        heard_mean = others + out[n]
        heard_mean += 0.5 * share[track] * value + 0.5 * quarter(track, value, memo, share)
        for c in range(mix.size):
            mix[c] = memo.mix[c] - options.whole[now, c] + options.whole[row, c]
        total = memo.own[0] - options.own[now] + options.own[row] + mix_cost(mix, target)
        total += target.weights[0] * (1.0 - heard_mean)
        out[n] = total + target.weights[1] * crowd_with(track, row, memo, setting)
