"""The loop that puts the estimated cost of a track's options together, compiled.

*Conventions*: as in `placer.cost.kernel_moves`.

`own_audible`: share of one track under many options. `drift`: what an option does to the shares of
the others. `quarter`: the most hidden quarter if one share changed. `crowd_without`, `crowd_with`:
overlap without one track, and if it took an option. `screen`: the estimates.

Sources: see the plain modules.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from placer.cost.compiled import (
    F32,
    HEARD,
    LANES,
    LEAST,
    NONE,
    SUMS,
    Array,
    Picked,
    Tables,
    Work,
    jit,
    part,
    work,
)
from placer.cost.formulas import DEPTH_STEP_DB, SIDE_STEP_DEG, crowded, likeness
from placer.cost.kernel import coefficients, heard, load
from placer.cost.kernel_mix import CostData, alike, lost, mix_cost
from placer.cost.kernel_moves import WHOLE, Memo, Move


@part
def own_audible(picked: Picked, tables: Tables, move: Move, out: Array) -> None:
    """Audible share of one track in every band under each option picked, out (n, B)."""
    at, track = work(tables.first.shape[2]), picked.tracks[0]
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
                    at.lanes[SUMS + 16 * c + i] = move.sums[b, c]
            coefficients(b, tables, at.lanes, 0.0)
            alone = Work(at.total, move.ears[b], at.track, at.row, at.lanes)
            heard(b, 0, size, tables, alone)
            for i in range(size):
                out[start + i, b] = at.lanes[HEARD + i]


@part
def drift(picked: Picked, memo: Memo, move: Move, tables: Tables, out: Array) -> None:
    """Change of each share, out (n, T), if a track went to each row picked; its own stays 0.

    A band at A = m / (1.01 + x) whose audibility has the slope s moves to x - s change m / A^2.
    """
    gains, now = picked.gains, memo.rows[picked.tracks[0]]
    change = np.empty(out.shape[1], F32)
    out[:] = NONE
    for b in range(tables.begins.size - 1):
        part = slice(tables.begins[b], tables.begins[b + 1])
        bearing, slope, cells = tables.bearing[part], move.slope, memo.cells
        s0, s1, s2, s3 = slope[0, part], slope[1, part], slope[2, part], slope[3, part]
        s4, s5, s6, s7 = slope[4, part], slope[5, part], slope[6, part], slope[7, part]
        heard_now, over = cells[0, part], cells[1, part]
        steep, most = cells[2, part], cells[3, part]
        for i in range(picked.rows.size):
            r = picked.rows[i]
            d0 = gains[r, b, 0] + gains[r, b, 8] - gains[now, b, 0] - gains[now, b, 8]
            d1 = gains[r, b, 1] + gains[r, b, 9] - gains[now, b, 1] - gains[now, b, 9]
            d2 = gains[r, b, 2] + gains[r, b, 10] - gains[now, b, 2] - gains[now, b, 10]
            d3 = gains[r, b, 3] + gains[r, b, 11] - gains[now, b, 3] - gains[now, b, 11]
            d4 = gains[r, b, 4] + gains[r, b, 12] - gains[now, b, 4] - gains[now, b, 12]
            d5 = gains[r, b, 5] + gains[r, b, 13] - gains[now, b, 5] - gains[now, b, 13]
            d6 = gains[r, b, 6] + gains[r, b, 14] - gains[now, b, 6] - gains[now, b, 14]
            d7 = gains[r, b, 7] + gains[r, b, 15] - gains[now, b, 7] - gains[now, b, 15]
            for n in range(bearing.size):
                moved = d0 * s0[n] + d1 * s1[n] + d2 * s2[n] + d3 * s3[n]
                moved += d4 * s4[n] + d5 * s5[n] + d6 * s6[n] + d7 * s7[n]
                level = over[n] - steep[n] * moved
                level = level if level > WHOLE else WHOLE
                change[n] = most[n] / (level + LEAST) - heard_now[n]
            for n in range(bearing.size):
                out[i, bearing[n]] += change[n]


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
def crowd_without(track: int, memo: Memo, setting: CostData, out: Array) -> None:
    """How crowded the others are without one track, out (T,)."""
    target, place = setting.target, setting.options.place
    own = place[memo.rows[track]]
    for t in range(out.size):
        side, depth = alike(place[memo.rows[t]], own)
        out[t] = memo.crowd[t] - target.side[track, t] * side - target.depth[track, t] * depth


@part
def crowd_with(track: int, row: int, rest: Array, memo: Memo, setting: CostData) -> Any:
    """Overlap cost if one track took an option; rest (T,) as from `crowd_without`."""
    target, place, own, total = setting.target, setting.options.place, 0.0, 0.0
    x, y = place[row, 0] / SIDE_STEP_DEG, place[row, 1] / DEPTH_STEP_DB
    for t in range(rest.size):
        if t != track:
            r = memo.rows[t]
            new = target.side[track, t] * likeness(x - place[r, 0] / SIDE_STEP_DEG)
            new += target.depth[track, t] * likeness(y - place[r, 1] / DEPTH_STEP_DB)
            own += new
            total += target.share[t] * crowded(rest[t] + new)
    return total + target.share[track] * crowded(own)


@part
def unheard_with(track: int, value: float, change: Array, memo: Memo, setting: CostData) -> Any:
    """Audibility cost if one track's share were `value` and the others' had changed, (T,)."""
    target = setting.target
    total = 1.0 - 0.5 * target.share[track] * value + lost(track, value, target)
    total -= 0.5 * quarter(track, value, memo, target.foreground)
    for t in range(target.share.size):
        if t != track:
            total -= 0.5 * target.share[t] * memo.share[t] + memo.factor[t] * change[t]
            total += lost(t, memo.share[t] + change[t], target)
    return total


@jit
def screen(picked: Picked, memo: Memo, move: Move, setting: CostData, out: Array) -> None:
    """Estimated cost if one track took each of the options picked, out (n,)."""
    options, tables, target = setting.options, setting.tables, setting.target
    track, size = picked.tracks[0], picked.rows.size
    now = memo.rows[track]
    cells = np.empty((size, tables.band.shape[1]), F32)
    change = np.empty((size, target.share.size), F32)
    own_audible(picked, tables, move, cells)
    drift(picked, memo, move, tables, change)
    mix, rest = np.empty(memo.mix.size), np.empty(target.share.size)
    crowd_without(track, memo, setting, rest)
    for n in range(size):
        row, value = picked.rows[n], 0.0
        for b in range(cells.shape[1]):
            value += cells[n, b]
        for c in range(mix.size):
            mix[c] = memo.mix[c] - options.whole[now, c] + options.whole[row, c]
        placed, broken = mix_cost(mix, target)
        broken += options.broken[row] - options.broken[now]
        total = memo.own[0] - options.own[now] + options.own[row]
        total += placed + setting.penalty * broken
        total += target.weights[0] * unheard_with(track, value, change[n], memo, setting)
        out[n] = total + target.weights[1] * crowd_with(track, row, rest, memo, setting)
