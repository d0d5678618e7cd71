"""The loops that estimate moves of one track, compiled.

*Conventions*: as in `placer.cost.kernel`. While one track tries its options the others stay; its
own audibility, crowding and the whole mix are exact. The audibility of the others follows the slope
in what the option adds to or takes from their maskers, along m / (1.01 + x): the curve that a band
of one signal-to-noise ratio takes, x being noise over signal and m the band's importance.

`gain_slopes`: of the binaural gain in the masker. `pull`: of each track's audibility in what is
added to the mix. `remember`: what all moves from a state share. `prepare`: what all options of a
track share. `screen`: estimated cost of each option.

Sources: derivatives of the formulas in `placer.cost.binaural` and `placer.cost.audibility`.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from placer.cost.compiled import (
    EARS,
    F32,
    LANES,
    LEAST,
    NONE,
    ONE,
    SUMS,
    Array,
    Picked,
    Tables,
    Work,
    copy_rows,
    inlined,
    jit,
    part,
    work,
)
from placer.cost.formulas import CEILING, PHASELESS, SILENT_EAR
from placer.cost.kernel import (
    THIRD,
    audible,
    ear_energies,
    early_and_masker,
    head,
    load_bearing,
    load_maskers,
    through,
    totals,
    without_group,
)
from placer.cost.kernel_mix import CostData, ascending, crowding, hidden, sum_rows

SILENT, VAGUE, TWO = F32(SILENT_EAR), F32(PHASELESS**2), F32(2.0)
WHOLE = F32(1.0 + CEILING)
UNHEARD = 1e-6
"""Share of a band's importance below which its audibility has no slope."""


class Memo(NamedTuple):
    """What all moves from one state share.

    rows (T,); total (B, 4, F) of all tracks; of each that bears on a band, in the order of
    `Tables.bearing`: slope (N, 4, F) of audibility in what is added to the mix, cells (4, N):
    audibility A, importance m over A, m over A^2, m;
    share (T,) audible; factor (T,) of each share in the heard mean; order (T,) from the most
    hidden; crowd (T,); mix (25,); own (1,) sum of the tracks' own costs and penalties.
    """

    rows: Array
    total: Array
    slope: Array
    cells: Array
    share: Array
    factor: Array
    order: Array
    crowd: Array
    mix: Array
    own: Array


class Move(NamedTuple):
    """What all options of one track share.

    ears (B, 4, F) and sums (B, 4) of its masker; slope (8, N) of the others in its gains.
    """

    ears: Array
    sums: Array
    slope: Array


@part
def gain_slopes(signal: Any, masker: Any, limit: Any) -> Any:
    """Slopes of the binaural gain in the masker's LL, RR, Re, Im; 0 where it does not exceed 1."""
    tl, tr, t_re, t_im = signal
    ml, mr, m_re, m_im = masker
    t_re, t_im = (ONE + VAGUE) * t_re, (ONE + VAGUE) * t_im
    both = ml + mr
    ml, mr = ml + SILENT * both, mr + SILENT * both
    between = math.sqrt(abs(ml * mr) + LEAST)
    square = m_re * m_re + m_im * m_im
    size, vague = math.sqrt(square + LEAST), VAGUE * between * between
    u_re, u_im, q = m_re / size, m_im / size, square + vague
    cross = t_re * m_re + t_im * m_im
    first, second = tl * mr, tr * ml
    best = first if first > second else second
    rho = size / between
    free = ONE if rho < ONE else NONE
    rho = min(rho, ONE)
    room = TWO * (limit - rho)
    rest = room * best + LEAST
    value = (limit * (first + second) - TWO * cross * size * between / q) / rest
    turn = cross * size * (square - vague) / (q * q) * between
    down_l = (room * tr if second >= first else NONE) + free * best * rho / (ml + LEAST)
    down_r = (NONE if second >= first else room * tl) + free * best * rho / (mr + LEAST)
    side, bend = TWO * between * size / q, TWO * between * cross * (vague - square) / (q * q)
    narrow, by = free * TWO * best / between, (ONE if value > ONE else NONE) / rest
    d_ml = (limit * tr - turn / (ml + LEAST) - value * down_l) * by
    d_mr = (limit * tl - turn / (mr + LEAST) - value * down_r) * by
    crossed = SILENT * (d_ml + d_mr)
    return (
        d_ml + crossed,
        d_mr + crossed,
        (value * narrow * u_re - side * t_re - bend * u_re) * by,
        (value * narrow * u_im - side * t_im - bend * u_im) * by,
    )


@part
def _back(way: Any, d: Any) -> Any:
    """Slopes in the channels' covariances from those in the ears'; way as from `head`."""
    return (
        d[0] * way[0][0] + d[1] * way[1][0] + d[2] * way[2][0] + d[3] * way[3][0],
        d[0] * way[0][1] + d[1] * way[1][1] + d[2] * way[2][1] + d[3] * way[3][1],
        d[0] * way[0][2] + d[1] * way[1][2] + d[2] * way[2][2] + d[3] * way[3][2],
        d[0] * way[0][3] + d[1] * way[1][3] + d[2] * way[2][3] + d[3] * way[3][3],
    )


@part
def gain_pull(b: int, w: int, i: int, tables: Tables, lanes: Array) -> Any:
    """Slope of the binaural gain of one way in the sums (4,) of lane i's masker."""
    early, masker = early_and_masker(lanes, i)
    limit = tables.band[1, b]
    if w == 0:
        return gain_slopes(early, masker, limit)
    r0, r1, r2, r3 = NONE, NONE, NONE, NONE
    for h in range(3):
        way = head(tables, b, h)
        ears, noise = through(way, early), through(way, masker)
        d0, d1, d2, d3 = _back(way, gain_slopes(ears, noise, limit))
        r0, r1, r2, r3 = r0 + THIRD * d0, r1 + THIRD * d1, r2 + THIRD * d2, r3 + THIRD * d3
    return r0, r1, r2, r3


@part
def pull(b: int, i: int, tables: Tables, at: Work, slope: Array) -> None:
    """Add the slope (4, F) of one track's audibility in a band, from lane i; at.total is used up.

    With A = sum W S / D, D = 1.01 S + k N: dA/dN = -k W S / D^2 and dA/dk = -sum N W S / D^2;
    dA/dU = -dA/dk k / U through the binaural gain U = threshold / k, where that exceeds 1.
    """
    lanes, t, bent, threshold = at.lanes, at.track[i], at.total[0], tables.band[0, b]
    first, second, weight = tables.first[b, t], tables.second[b, t], tables.weight[b, t]
    for w in range(2):
        o = EARS + 96 * w + i
        s0, s1, n0, n1 = lanes[o], lanes[o + 16], lanes[o + 32], lanes[o + 48]
        k, ear, floor = lanes[o + 64], int(lanes[o + 80]), tables.band[2, b]
        steep, share, ears = NONE, tables.listening[w], at.ears[2 * w + ear]
        for f in range(bent.size):
            signal = s0 * first[f] + s1 * second[f]
            noise = n0 * first[f] + n1 * second[f] + k * (ears[f] + floor)
            whole = WHOLE * signal + noise
            whole = whole if whole > LEAST else LEAST
            bent[f] = share * weight[f] * (signal / whole) / whole
            steep += bent[f] * noise / k
        gained = k < threshold * F32(0.99999)
        rise = steep * k * k / threshold if gained else NONE
        rises = gain_pull(b, w, i, tables, lanes) if gained else (NONE, NONE, NONE, NONE)
        for c in range(4):
            down, up, out = -k * tables.ways[b, w, ear, c], rise * rises[c], slope[c]
            for f in range(bent.size):
                out[f] += down * bent[f] + up * weight[f]


@part
def pull_all(memo: Memo, gains: Array, tables: Tables) -> None:
    """Slopes of every track's audibility in what is added to the mix, memo.slope (N, 4, F)."""
    count = memo.rows.size
    picked = Picked(np.arange(count), memo.rows, gains)
    at, rest = work(tables.first.shape[2]), work(tables.first.shape[2])
    alone = Work(rest.total, rest.ears, at.track, at.row, at.lanes)
    memo.slope[:] = NONE
    for b in range(tables.band.shape[1]):
        copy_rows(memo.total[b], at.total)
        ear_energies(b, at.total, tables.ways, at.ears)
        for start in range(tables.begins[b], tables.begins[b + 1], LANES):
            size = load_bearing(b, start, picked, tables, at)
            for i in range(size):
                t = at.track[i]
                copy_rows(at.ears, alone.ears)
                if tables.starts[t] < tables.starts[t + 1]:
                    copy_rows(at.total, alone.total)
                    without_group(b, t, picked, tables, alone.total)
                    ear_energies(b, alone.total, tables.ways, alone.ears)
                pull(b, i, tables, alone, memo.slope[start + i])


@jit
def remember(memo: Memo, setting: CostData) -> None:
    """Fill in a memo whose rows are set."""
    options, tables, target = setting.options, setting.tables, setting.target
    rows, count, bands = memo.rows, memo.rows.size, tables.band.shape[1]
    part, cells = np.empty(count), np.empty((count, bands), F32)
    picked = Picked(np.arange(count), rows, options.gains)
    memo.total[:] = NONE
    for b in range(bands):
        totals(b, picked, tables, 1.0, memo.total[b])
    audible(picked, tables, cells)
    memo.own[0] = sum_rows(rows, setting, memo.mix)
    memo.cells[:], memo.share[:] = NONE, 0.0
    for b in range(bands):
        for n in range(tables.begins[b], tables.begins[b + 1]):
            t = tables.bearing[n]
            heard, marginal = cells[t, b], tables.marginal[b, t]
            memo.share[t] += heard
            if heard > UNHEARD * marginal:
                memo.cells[0, n], memo.cells[1, n] = heard, marginal / heard
                memo.cells[2, n], memo.cells[3, n] = marginal / (heard * heard), marginal
    hidden(memo.share, target.foreground, part)
    for t in range(count):
        memo.factor[t] = 0.5 * (target.share[t] + part[t])
    ascending(memo.share, memo.order)
    crowding(rows, options.place, target, memo.crowd)
    pull_all(memo, options.gains, tables)


@jit
def prepare(track: int, memo: Memo, setting: CostData, move: Move) -> None:
    """Fill in what all options of a track share."""
    tables, count, at = setting.tables, memo.rows.size, work(setting.tables.first.shape[2])
    rows = memo.rows.copy()
    rows[track] = -1
    for j in range(tables.starts[track], tables.starts[track + 1]):
        rows[tables.members[j]] = -1
    others = Picked(np.arange(count), rows, setting.options.gains)
    at.track[0] = track
    move.slope[:] = NONE
    for b in range(tables.band.shape[1]):
        at.total[:] = NONE
        totals(b, others, tables, 1.0, at.total)
        ear_energies(b, at.total, tables.ways, move.ears[b])
        load_maskers(b, 1, tables, at)  # the lane holds no gains: nothing is taken out
        for c in range(4):
            move.sums[b, c] = at.lanes[SUMS + 16 * c]
        for n in range(tables.begins[b], tables.begins[b + 1]):
            t = tables.bearing[n]
            if rows[t] >= 0:
                _contract((b, track), memo.slope[n], tables, move.slope[:, n])


@inlined
def _contract(place, slope, tables, out):  # type: ignore[no-untyped-def]
    """Slope in a track's gains on either template from the slope (4, F) in the mix; place: b, t."""
    for c in range(4):
        near, far = NONE, NONE
        for f in range(slope.shape[1]):
            near += slope[c, f] * tables.first[place[0], place[1], f]
            far += slope[c, f] * tables.second[place[0], place[1], f]
        out[c], out[c + 4] = near, far
