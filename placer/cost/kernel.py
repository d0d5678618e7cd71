"""The loops of audibility, compiled.

*Conventions*: as in `placer.cost.compiled`. Nothing here holds state; each function is the plain
one that it names, rewritten, and equal to it.

`totals`, `ear_energies`, `load`, `load_maskers`, `take_out_groups`, `gain`, `coefficients`,
`heard`: the steps; `load_bearing`: those of a track up to its coefficients. `audible`: share of
each track that is heard.

Sources: see `placer.cost.audibility` and `placer.cost.binaural`.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from placer.cost.compiled import (
    F32,
    FORGIVEN,
    LANES,
    LEAST,
    NONE,
    ONE,
    SILENT,
    TWO,
    VAGUE,
    WHOLE,
    Array,
    Picked,
    Tables,
    Work,
    copy_rows,
    inlined,
    part,
    work,
)


@part
def totals(b: int, picked: Picked, tables: Tables, sign: float, out: Array) -> None:
    """Add sign times the covariances of what is picked to out (4, F)."""
    early, late, gains, by = tables.early, tables.late, picked.gains, F32(sign)
    for n in range(picked.rows.size):
        r, t = picked.rows[n], picked.tracks[n]
        if r < 0:
            continue
        e0, e1, e2, e3 = gains[r, b, 0], gains[r, b, 1], gains[r, b, 2], gains[r, b, 3]
        l0, l1, l2, l3 = gains[r, b, 4], gains[r, b, 5], gains[r, b, 6], gains[r, b, 7]
        for f in range(early.shape[2]):
            e, late_f = by * early[b, t, f], by * late[b, t, f]
            out[0, f] += e0 * e + l0 * late_f
            out[1, f] += e1 * e + l1 * late_f
            out[2, f] += e2 * e + l2 * late_f
            out[3, f] += e3 * e + l3 * late_f


@part
def ear_energies(b: int, total: Array, ways: Array, out: Array) -> None:
    """Energies out (4, F) of a total (4, F): headphones left, right, loudspeakers left, right."""
    for i in range(4):
        w, e = i // 2, i % 2
        w0, w1, w2, w3 = ways[b, w, e, 0], ways[b, w, e, 1], ways[b, w, e, 2], ways[b, w, e, 3]
        for f in range(total.shape[1]):
            out[i, f] = w0 * total[0, f] + w1 * total[1, f] + w2 * total[2, f] + w3 * total[3, f]


@part
def load(b: int, size: int, gains: Array, tables: Tables, at: Work) -> None:
    """Put the options named by at.track and at.row into as many lanes."""
    lanes = at.lanes
    for i in range(size):
        t, row = at.track[i], at.row[i]
        for c in range(8):
            lanes[LANES * c + i] = gains[row, b, c]
        lanes[192 + i], lanes[208 + i] = tables.sums[0, b, t], tables.sums[1, b, t]
        lanes[224 + i] = tables.articulation[t]


@part
def load_maskers(b: int, size: int, tables: Tables, at: Work) -> None:
    """Put importance-weighted sums of the total, less the lane's own gains, into the lanes."""
    weight, total, lanes = tables.weight, at.total, at.lanes
    for i in range(size):
        t = at.track[i]
        a0, a1, a2, a3 = NONE, NONE, NONE, NONE
        for f in range(total.shape[1]):
            w = weight[b, t, f]
            a0 += w * total[0, f]
            a1 += w * total[1, f]
            a2 += w * total[2, f]
            a3 += w * total[3, f]
        near, far = tables.sums[0, b, t], tables.sums[1, b, t]
        lanes[128 + i] = a0 - lanes[i] * near - lanes[64 + i] * far
        lanes[144 + i] = a1 - lanes[16 + i] * near - lanes[80 + i] * far
        lanes[160 + i] = a2 - lanes[32 + i] * near - lanes[96 + i] * far
        lanes[176 + i] = a3 - lanes[48 + i] * near - lanes[112 + i] * far


@part
def take_out_groups(b: int, size: int, picked: Picked, tables: Tables, at: Work) -> None:
    """Take the other members of each lane's group out of its masker."""
    gains, lanes = picked.gains, at.lanes
    for i in range(size):
        t = at.track[i]
        for j in range(tables.starts[t], tables.starts[t + 1]):
            r = picked.rows[tables.members[j]]
            near, far = tables.pairs[0, b, j], tables.pairs[1, b, j]
            for c in range(4):
                lanes[128 + 16 * c + i] -= gains[r, b, c] * near + gains[r, b, c + 4] * far


@part
def without_group(b: int, t: int, picked: Picked, tables: Tables, out: Array) -> None:
    """Take the other members of a track's group out of a total (4, F)."""
    first, last = tables.starts[t], tables.starts[t + 1]
    tracks = tables.members[first:last]
    rows = np.empty(tracks.size, np.int64)
    for j in range(tracks.size):
        rows[j] = picked.rows[tracks[j]]
    totals(b, Picked(tracks, rows, picked.gains), tables, -1.0, out)


@part
def gain(signal: Any, masker: Any, limit: Any) -> Any:
    """`binaural.binaural_gain` of one band, from LL, RR, Re, Im of each."""
    tl, tr, t_re, t_im = signal
    ml, mr, m_re, m_im = masker
    both = ml + mr
    ml, mr = ml + SILENT * both, mr + SILENT * both
    between = math.sqrt(abs(ml * mr) + LEAST)
    square = m_re * m_re + m_im * m_im
    size = math.sqrt(square)
    steady = (ONE + VAGUE) * size * between / (square + VAGUE * between * between)
    first, second = tl * mr, tr * ml
    best = first if first > second else second
    left = limit * (first + second) - TWO * (t_re * m_re + t_im * m_im) * steady
    alike = size / between
    alike = alike if alike < ONE else ONE
    value = left / (TWO * (limit - alike) * best + LEAST)
    return value if value > ONE else ONE


@inlined
def own_late(lanes, i):  # type: ignore[no-untyped-def]
    """Own late energy that blurs, per unit gain and summed over time, in lane i."""
    direct = (lanes[i] + lanes[16 + i]) * lanes[192 + i]
    room = (lanes[64 + i] + lanes[80 + i]) * lanes[208 + i]
    blur = ONE - FORGIVEN * direct / (room + LEAST)
    return lanes[224 + i] * (blur if blur > NONE else NONE) * lanes[208 + i]


@inlined
def _one_way(place, tables, lanes, inside):  # type: ignore[no-untyped-def]
    """Signal s0 E + s1 L, signal and noise d0 E + d1 L + k N; place: band, way, where they go."""
    b, w, out = place
    threshold, limit, ways = tables.band[0, b], tables.band[1, b], tables.ways
    w00, w01, w02, w03 = ways[b, w, 0, 0], ways[b, w, 0, 1], ways[b, w, 0, 2], ways[b, w, 0, 3]
    w10, w11, w12, w13 = ways[b, w, 1, 0], ways[b, w, 1, 1], ways[b, w, 1, 2], ways[b, w, 1, 3]
    w20, w21, w22, w23 = ways[b, w, 2, 0], ways[b, w, 2, 1], ways[b, w, 2, 2], ways[b, w, 2, 3]
    w30, w31, w32, w33 = ways[b, w, 3, 0], ways[b, w, 3, 1], ways[b, w, 3, 2], ways[b, w, 3, 3]
    for i in range(LANES):
        near, far, role = lanes[192 + i], lanes[208 + i], lanes[224 + i]
        g0, g1, g2, g3 = lanes[i], lanes[16 + i], lanes[32 + i], lanes[48 + i]
        h0, h1, h2, h3 = lanes[64 + i], lanes[80 + i], lanes[96 + i], lanes[112 + i]
        blur = ONE - FORGIVEN * ((g0 + g1) * near) / ((h0 + h1) * far + LEAST)
        blur = role * (blur if blur > NONE else NONE)
        own, useful = blur * far, ONE - role
        x0, x1 = lanes[128 + i] + own * h0, lanes[144 + i] + own * h1
        x2, x3 = lanes[160 + i] + own * h2, lanes[176 + i] + own * h3
        e0 = w00 * g0 + w01 * g1 + w02 * g2 + w03 * g3
        e1 = w10 * g0 + w11 * g1 + w12 * g2 + w13 * g3
        e2 = w20 * g0 + w21 * g1 + w22 * g2 + w23 * g3
        e3 = w30 * g0 + w31 * g1 + w32 * g2 + w33 * g3
        l0 = w00 * h0 + w01 * h1 + w02 * h2 + w03 * h3
        l1 = w10 * h0 + w11 * h1 + w12 * h2 + w13 * h3
        m0 = w00 * x0 + w01 * x1 + w02 * x2 + w03 * x3
        m1 = w10 * x0 + w11 * x1 + w12 * x2 + w13 * x3
        m2 = w20 * x0 + w21 * x1 + w22 * x2 + w23 * x3
        m3 = w30 * x0 + w31 * x1 + w32 * x2 + w33 * x3
        right = (e1 * near + useful * l1 * far) * m0 > (e0 * near + useful * l0 * far) * m1
        k = threshold / gain((e0, e1, e2, e3), (m0, m1, m2, m3), limit)
        e, late = (e1 if right else e0), (l1 if right else l0)
        lanes[out + i], lanes[out + 16 + i] = e, useful * late
        lanes[out + 32 + i] = (WHOLE - inside * k) * e
        lanes[out + 48 + i] = WHOLE * useful * late + k * (blur - inside) * late
        lanes[out + 64 + i] = k
        lanes[out + 80 + i] = ONE if right else NONE


@part
def coefficients(b: int, tables: Tables, lanes: Array, inside: float) -> None:
    """Coefficients of both ways in all lanes; inside: whether N holds the track itself (1 or 0)."""
    for w in range(2):
        _one_way((b, w, 240 + 96 * w), tables, lanes, F32(inside))


@part
def heard(b: int, begin: int, end: int, tables: Tables, at: Work) -> None:
    """Audible share in one band of some lanes, into their last row."""
    early, late, weight, ears, lanes = tables.early, tables.late, tables.weight, at.ears, at.lanes
    h0, h1, floor = tables.listening[0], tables.listening[1], tables.band[2, b]
    for i in range(begin, end):
        t = at.track[i]
        a0, a1, a2 = h0 * lanes[240 + i], h0 * lanes[256 + i], lanes[272 + i]
        a3, a4, p = lanes[288 + i], lanes[304 + i], int(lanes[320 + i])
        b0, b1, b2 = h1 * lanes[336 + i], h1 * lanes[352 + i], lanes[368 + i]
        b3, b4, q = lanes[384 + i], lanes[400 + i], 2 + int(lanes[416 + i])
        total = NONE
        for f in range(early.shape[2]):
            e, r = early[b, t, f], late[b, t, f]
            first = a2 * e + a3 * r + a4 * (ears[p, f] + floor)
            second = b2 * e + b3 * r + b4 * (ears[q, f] + floor)
            first = first if first > LEAST else LEAST
            second = second if second > LEAST else LEAST
            total += weight[b, t, f] * ((a0 * e + a1 * r) / first + (b0 * e + b1 * r) / second)
        lanes[432 + i] = total


@part
def load_bearing(b: int, start: int, picked: Picked, tables: Tables, at: Work) -> int:
    """Take tracks that bear on a band, from the `start`-th on, up to the coefficients: how many."""
    size: int = min(LANES, tables.first[b + 1] - start)
    for i in range(size):
        at.track[i] = tables.bearing[start + i]
        at.row[i] = picked.rows[at.track[i]]
    load(b, size, picked.gains, tables, at)
    load_maskers(b, size, tables, at)
    take_out_groups(b, size, picked, tables, at)
    coefficients(b, tables, at.lanes, 1.0)
    return size


@part
def audible(picked: Picked, tables: Tables, out: Array) -> None:
    """Audible share of every track and band, out (T, B), of one option a track in their order."""
    at, rest = work(tables.early.shape[2]), work(tables.early.shape[2])
    alone = Work(rest.total, rest.ears, at.track, at.row, at.lanes)
    out[:] = NONE
    for b in range(tables.band.shape[1]):
        at.total[:] = NONE
        totals(b, picked, tables, 1.0, at.total)
        ear_energies(b, at.total, tables.ways, at.ears)
        for start in range(tables.first[b], tables.first[b + 1], LANES):
            size = load_bearing(b, start, picked, tables, at)
            heard(b, 0, size, tables, at)
            for i in range(size):
                t = at.track[i]
                if tables.starts[t] < tables.starts[t + 1]:
                    copy_rows(at.total, alone.total)
                    without_group(b, t, picked, tables, alone.total)
                    ear_energies(b, alone.total, tables.ways, alone.ears)
                    heard(b, i, i + 1, tables, alone)
                out[t, b] = at.lanes[432 + i]
