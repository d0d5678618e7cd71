"""The loops of overlap and of the whole mix, compiled, and the cost of many candidates.

*Conventions*: as in `placer.cost.kernel`; a candidate is one option row a track.

`crowding`: `overlap.overlap`. `hidden`: `audibility.hidden_quarter`. `lost`: what the background
loses. `mix_cost`: the terms of the whole mix (`objective._whole_mix`); `broken_db`: its
violations. `costs`: everything, for many candidates.

Sources: see the plain modules.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from placer.cost.compiled import Array, Picked, Tables, copy_rows, jit, part
from placer.cost.formulas import (
    DEPTH_STEP_DB,
    SIDE_STEP_DEG,
    TINY,
    background_loss,
    beyond,
    change_db,
    crowded,
    fold_db,
    fold_loss_db,
    lean_cost,
    lean_db,
    likeness,
    margin_db,
    shortfall_lu,
    third_cost,
)
from placer.cost.kernel import audible
from placer.cost.low_weight import LOW_FLOOR, MATTERS
from placer.cost.mix_terms import FOLD_SCALE_DB, SCALE_LU
from placer.cost.whole import DRR, FILE, FIRST_THIRD, LATE, LATE_FLOOR


class Target(NamedTuple):
    """Reference and weights.

    late (3,) energies; levels (4,): lean, low lean, fold, low fold, dB; file (2,): lean and low
    lean of the whole file, dB; loud (2,): K-weighted
    energy, and LU that the reference misses its target by; thirds, significance (11,);
    weights (6,): audibility, overlap, low weight, balance, mono, loudness; limits (6,): late, low,
    balance, mono, contrast, free loss of the background; share (T,) of the tracks' weights, summing
    to 1; foreground, background (T,) the same of either; margin (T,) dB; side, depth (T, T) in
    common.
    """

    late: Array
    levels: Array
    file: Array
    loud: Array
    thirds: Array
    significance: Array
    weights: Array
    limits: Array
    share: Array
    foreground: Array
    background: Array
    margin: Array
    side: Array
    depth: Array


class Options(NamedTuple):
    """One row an option.

    gains (R, B, 16); whole (R, 25); place (R, 2): degrees, dB; own (R,): its cost by itself, effort
    included; broken (R,): dB beyond limits of its track.
    """

    gains: Array
    whole: Array
    place: Array
    own: Array
    broken: Array


class CostData(NamedTuple):
    """Everything that candidates over one set of options share; penalty: cost of a dB too much."""

    options: Options
    tables: Tables
    target: Target
    penalty: float


@part
def ascending(values: Array, order: Array) -> None:
    """Order (T,) that sorts values (T,), by insertion (a sort from the library compiles slowly)."""
    for t in range(values.size):
        place = t
        while place > 0 and values[order[place - 1]] > values[t]:
            order[place] = order[place - 1]
            place -= 1
        order[place] = t


@part
def sum_rows(rows: Array, setting: CostData, mix: Array) -> Any:
    """Sum the options' rows into mix (25,); gives the sum of their own costs and penalties."""
    options, own = setting.options, 0.0
    mix[:] = 0.0
    for t in range(rows.size):
        own += options.own[rows[t]] + setting.penalty * options.broken[rows[t]]
        for c in range(mix.size):
            mix[c] += options.whole[rows[t], c]
    return own


@part
def hidden(share: Array, weight: Array, part: Array) -> None:
    """Part (T,) of each track in the most hidden quarter; weights (T,) sum to 1."""
    taken, order = 0.0, np.empty(share.size, np.int64)
    ascending(share, order)
    part[:] = 0.0
    for t in order:
        room = 0.25 - taken
        if room <= 0.0:
            break
        now = weight[t] if weight[t] < room else room
        part[t] = 4.0 * now
        taken += now


@part
def lost(t: int, share: float, target: Target) -> Any:
    """Weighted cost of what a track of the background loses."""
    if target.background[t] == 0.0:
        return 0.0
    loss = background_loss(margin_db(share), target.margin[t], target.limits[5])
    return target.background[t] * loss


@part
def alike(first: Array, second: Array) -> Any:
    """Likeness to the side and in depth of two places (2,): degrees, dB."""
    side, depth = (first[0] - second[0]) / SIDE_STEP_DEG, (first[1] - second[1]) / DEPTH_STEP_DB
    return likeness(side), likeness(depth)


@part
def crowding(rows: Array, place: Array, target: Target, crowd: Array) -> None:
    """Sum over the other tracks of what is in common times likeness of place, crowd (T,)."""
    count = rows.size
    sides, depths = np.empty(count), np.empty(count)
    for t in range(count):
        sides[t] = place[rows[t], 0] / SIDE_STEP_DEG
        depths[t] = place[rows[t], 1] / DEPTH_STEP_DB
    for t in range(count):
        beside, behind, total = target.side[t], target.depth[t], 0.0
        for s in range(count):
            total += beside[s] * likeness(sides[t] - sides[s])
            total += behind[s] * likeness(depths[t] - depths[s])
        crowd[t] = total


@part
def crowd_cost(crowd: Array, share: Array) -> Any:
    """Weighted mean of the cost of crowding."""
    total = 0.0
    for t in range(crowd.size):
        total += share[t] * crowded(crowd[t])
    return total


@part
def _lows(row: Array, target: Target) -> Any:
    """Low weight and its violations (`low_weight`, `limits.whole_violations`)."""
    top, shared, total, broken = 1e-30, 1e-9, 0.0, 0.0
    for i in range(target.thirds.size):
        top = max(top, target.thirds[i])
    for i in range(target.thirds.size):
        change = change_db(row[FIRST_THIRD + i], target.thirds[i], LOW_FLOOR * top)
        shared += target.significance[i]
        total += target.significance[i] * third_cost(change)
        if target.significance[i] >= MATTERS:
            broken += beyond(abs(change), target.limits[1])
    return target.weights[2] * total / shared, broken


@part
def mix_cost(row: Array, target: Target) -> Any:
    """Weighted terms of the whole mix from its summed row (25,), and dB beyond its limits."""
    levels, limits, weights = target.levels, target.limits, target.weights
    total, broken = _lows(row, target)
    late = 0.0
    for i in range(LATE):
        floor = LATE_FLOOR * target.late[0] + TINY
        late = max(late, beyond(abs(change_db(row[i], target.late[i], floor)), limits[0]))
    broken += late + beyond(abs(row[DRR]), limits[4])
    for i in range(2):
        left, right, folded = row[LATE + 3 * i], row[LATE + 1 + 3 * i], row[LATE + 2 + 3 * i]
        now, loss = lean_db(left, right), fold_loss_db(fold_db(folded, left + right), levels[2 + i])
        total += 0.5 * weights[3] * lean_cost(now, levels[i])
        total += 0.25 * weights[4] * loss / FOLD_SCALE_DB
        broken += beyond(abs(now), max(limits[2], abs(levels[i]))) + beyond(loss, limits[3])
        elsewhere = lean_db(row[FILE + 2 * i], row[FILE + 2 * i + 1])
        broken += beyond(abs(elsewhere), max(limits[2], abs(target.file[i])))
    grown = max(row[LATE] + row[LATE + 1], TINY) / max(target.loud[0], TINY)
    return total + weights[5] * shortfall_lu(target.loud[1], grown) / SCALE_LU, broken


@jit
def costs(candidates: Array, setting: CostData, out: Array) -> None:
    """Cost of each candidate, (N, T) option rows to out (N,) (`objective.evaluate`)."""
    options, tables, target = setting.options, setting.tables, setting.target
    count, bands = candidates.shape[1], tables.band.shape[1]
    share, part, crowd = np.empty(count), np.empty(count), np.empty(count)
    row = np.empty(options.whole.shape[1])
    cells, held = np.empty((count, bands), np.float32), np.empty((count, bands, 16), np.float32)
    every = np.arange(count)
    for n in range(candidates.shape[0]):
        rows = candidates[n]
        for t in range(count):
            copy_rows(
                options.gains[rows[t]], held[t]
            )  # gathered, so that the bands are read from cache
        audible(Picked(every, every, held), tables, cells)
        for t in range(count):
            share[t] = 0.0
            for b in range(bands):
                share[t] += cells[t, b]
        hidden(share, target.foreground, part)
        crowding(rows, options.place, target, crowd)
        unheard = 1.0
        for t in range(count):
            unheard += lost(t, share[t], target)
            unheard -= 0.5 * share[t] * (target.share[t] + part[t])
        total = sum_rows(rows, setting, row) + target.weights[0] * unheard
        total += target.weights[1] * crowd_cost(crowd, target.share)
        placed, broken = mix_cost(row, target)
        out[n] = total + placed + setting.penalty * broken


@jit
def broken_db(rows: Array, setting: CostData) -> Any:
    """Sum of all dB beyond limits of one candidate, (T,) option rows."""
    row, own = np.zeros(setting.options.whole.shape[1]), 0.0
    for t in range(rows.size):
        own += setting.options.broken[rows[t]]
        for c in range(row.size):
            row[c] += setting.options.whole[rows[t], c]
    return own + mix_cost(row, setting.target)[1]
