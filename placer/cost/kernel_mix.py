"""The loops of overlap and of the whole mix, compiled, and the cost of many candidates.

*Conventions*: as in `placer.cost.kernel`; a candidate is one option row a track.

`crowding`: `overlap.overlap`. `hidden`: `audibility.hidden_quarter`. `mix_cost`: the terms of the
whole mix and their violations (`objective._mix_terms`). `costs`: everything, for many candidates.

Sources: see the plain modules.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from placer.cost.balance import SCALE_DB as LEAN_SCALE
from placer.cost.compiled import Array, Picked, Tables, copy_rows, jit, part
from placer.cost.kernel import (
    audible,
)
from placer.cost.limits import PENALTY
from placer.cost.low_weight import FREE_DB, MATTERS
from placer.cost.low_weight import SCALE_DB as LOW_SCALE
from placer.cost.mono import FREE_DB as FOLD_FREE
from placer.cost.mono import SCALE_DB as FOLD_SCALE
from placer.cost.overlap import DEPTH_STEP_DB, SIDE_STEP_DEG
from placer.cost.place import TINY
from placer.cost.whole import FOLD_FLOOR, LATE, LATE_FLOOR


class Target(NamedTuple):
    """Reference and weights.

    late (3,) energies; levels (4,): lean, low lean, fold, low fold, dB; thirds, significance (11,);
    weights (5,): audibility, overlap, low weight, balance, mono; limits (4,): late, low, balance,
    mono; share (T,) of the tracks' weights, summing to 1; common (T, T).
    """

    late: Array
    levels: Array
    thirds: Array
    significance: Array
    weights: Array
    limits: Array
    share: Array
    common: Array


class Options(NamedTuple):
    """One row an option: gains (R, B, 8), whole (R, 20), place (R, 2), own (R,) cost by itself."""

    gains: Array
    whole: Array
    place: Array
    own: Array


class Setting(NamedTuple):
    """Everything that candidates over one set of options share."""

    options: Options
    tables: Tables
    target: Target


@part
def decibel(value: float) -> Any:
    """10 log10 of an energy, never below -200."""
    return 10.0 * math.log10(value if value > 1e-20 else 1e-20)


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
def sum_rows(rows: Array, options: Options, mix: Array, own: Array) -> None:
    """Sum the options' rows into mix (20,) and their own costs into own (1,)."""
    mix[:], own[0] = 0.0, 0.0
    for t in range(rows.size):
        own[0] += options.own[rows[t]]
        for c in range(mix.size):
            mix[c] += options.whole[rows[t], c]


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
def alike(first: Array, second: Array) -> Any:
    """Likeness of two places (2,): side in degrees, depth in dB."""
    side = (first[0] - second[0]) / SIDE_STEP_DEG
    depth = (first[1] - second[1]) / DEPTH_STEP_DB
    side, depth = max(1.0 - side * side, 0.0), max(1.0 - depth * depth, 0.0)
    return side * side * depth * depth


@part
def crowding(rows: Array, place: Array, common: Array, crowd: Array) -> None:
    """Sum over the other tracks of common share times likeness of place, crowd (T,)."""
    count = rows.size
    sides, depths = np.empty(count), np.empty(count)
    for t in range(count):
        sides[t] = place[rows[t], 0] / SIDE_STEP_DEG
        depths[t] = place[rows[t], 1] / DEPTH_STEP_DB
    for t in range(count):
        total = 0.0
        for s in range(count):
            side, depth = sides[t] - sides[s], depths[t] - depths[s]
            side, depth = 1.0 - side * side, 1.0 - depth * depth
            side = side if side > 0.0 else 0.0
            depth = depth if depth > 0.0 else 0.0
            total += common[t, s] * (side * side) * (depth * depth)
        crowd[t] = total


@part
def crowd_cost(crowd: Array, share: Array) -> Any:
    """Weighted mean of x / (1 + x)."""
    total = 0.0
    for t in range(crowd.size):
        total += share[t] * crowd[t] / (1.0 + crowd[t])
    return total


@part
def _lean(left: float, right: float) -> Any:
    """Right against left, dB (`balance.lean_db`)."""
    floor = 1e-12 * (left + right) + 1e-30
    return min(max(decibel((right + floor) / (left + floor)), -40.0), 40.0)


@part
def _fold(folded: float, power: float) -> Any:
    """Fold-down against left and right apart, dB (`whole.whole`)."""
    return decibel((folded + FOLD_FLOOR * power + TINY) / (power + TINY))


@part
def low_cost(thirds: Array, target: Target) -> Any:
    """Low weight and its violations (`low_weight`, `limits.whole_violations`)."""
    top, shared, total, broken = 1e-30, 1e-9, 0.0, 0.0
    for i in range(thirds.size):
        top = max(top, target.thirds[i])
    floor = 1e-9 * top
    for i in range(thirds.size):
        shared += target.significance[i]
        change = abs(decibel((thirds[i] + floor) / (target.thirds[i] + floor)))
        beyond = max(change - FREE_DB, 0.0) / LOW_SCALE
        total += target.significance[i] * beyond * beyond
        if target.significance[i] >= MATTERS:
            broken += max(change - target.limits[1], 0.0)
    return target.weights[2] * total / shared + PENALTY * broken


@part
def mix_cost(row: Array, target: Target) -> Any:
    """Terms of the whole mix from its summed row (20,) (`objective._mix_terms`)."""
    levels, limits = target.levels, target.limits
    lean, fold, broken = 0.0, 0.0, 0.0
    floor = LATE_FLOOR * target.late[0] + TINY
    for i in range(LATE):
        change = abs(decibel((row[i] + floor) / (target.late[i] + floor)))
        broken = max(broken, change - limits[0])
    for i in range(2):
        left, right, folded = row[LATE + 3 * i], row[LATE + 1 + 3 * i], row[LATE + 2 + 3 * i]
        now = abs(_lean(left, right))
        beyond = max(now - abs(levels[i]), 0.0) / LEAN_SCALE
        lean += 0.5 * beyond * beyond
        broken += max(now - max(limits[2], abs(levels[i])), 0.0)
        loss = max(levels[2 + i] - _fold(folded, left + right) - FOLD_FREE, 0.0)
        fold += 0.25 * loss / FOLD_SCALE
        broken += max(loss - limits[3], 0.0)
    placed = target.weights[3] * lean + target.weights[4] * fold
    return placed + PENALTY * broken + low_cost(row[LATE + 6 :], target)


@jit
def costs(candidates: Array, added: Array, setting: Setting, out: Array) -> None:
    """Cost of each candidate, (N, T) option rows to out (N,) (`objective.evaluate`).

    added (N, 20) is what each whole mix has besides its tracks.
    """
    options, tables, target = setting
    count, bands = candidates.shape[1], tables.band.shape[1]
    share, part, crowd = np.empty(count), np.empty(count), np.empty(count)
    row, own = np.empty(options.whole.shape[1]), np.empty(1)
    cells, held = np.empty((count, bands), np.float32), np.empty((count, bands, 8), np.float32)
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
        hidden(share, target.share, part)
        crowding(rows, options.place, target.common, crowd)
        sum_rows(rows, options, row, own)
        row += added[n]
        heard = 0.0
        for t in range(count):
            heard += 0.5 * share[t] * (target.share[t] + part[t])
        total = own[0] + target.weights[0] * (1.0 - heard)
        total += target.weights[1] * crowd_cost(crowd, target.share)
        out[n] = total + mix_cost(row, target)
