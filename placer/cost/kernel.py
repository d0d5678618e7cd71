"""The loops of audibility, compiled.

*Conventions*: as in `placer.cost.compiled`. Nothing here holds state; each function is the plain
one that it names, rewritten for speed, and equal to it; formulas are those of
`placer.cost.formulas`.

`totals`, `ear_energies`, `load`, `load_maskers`, `take_out_groups`, `coefficients`, `heard`: the
steps; `load_bearing`: those of a track up to its coefficients. `audible`: share of
each track that is heard.

Sources: see `placer.cost.audibility` and `placer.cost.binaural`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from placer.cost.compiled import (
    EARS,
    F32,
    HEARD,
    LANES,
    MIXED,
    NONE,
    ONE,
    SUMS,
    Array,
    Picked,
    Tables,
    Work,
    copy_rows,
    inlined,
    part,
    work,
)
from placer.cost.formulas import binaural_gain, blur, cell_audibility

THIRD = F32(1.0 / 3.0)
"""Part of each position of the head."""


@part
def totals(b: int, picked: Picked, tables: Tables, sign: float, out: Array) -> None:
    """Add sign times the covariances of what is picked to out (4, F)."""
    first, second, gains, by = tables.first, tables.second, picked.gains, F32(sign)
    for n in range(picked.rows.size):
        r, t = picked.rows[n], picked.tracks[n]
        if r < 0:
            continue
        g0, g1 = gains[r, b, 0] + gains[r, b, 8], gains[r, b, 1] + gains[r, b, 9]
        g2, g3 = gains[r, b, 2] + gains[r, b, 10], gains[r, b, 3] + gains[r, b, 11]
        h0, h1 = gains[r, b, 4] + gains[r, b, 12], gains[r, b, 5] + gains[r, b, 13]
        h2, h3 = gains[r, b, 6] + gains[r, b, 14], gains[r, b, 7] + gains[r, b, 15]
        for f in range(first.shape[2]):
            x, y = by * first[b, t, f], by * second[b, t, f]
            out[0, f] += g0 * x + h0 * y
            out[1, f] += g1 * x + h1 * y
            out[2, f] += g2 * x + h2 * y
            out[3, f] += g3 * x + h3 * y


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
        for c in range(16):
            lanes[LANES * c + i] = gains[row, b, c]
        lanes[SUMS + 64 + i], lanes[SUMS + 80 + i] = tables.sums[0, b, t], tables.sums[1, b, t]
        lanes[SUMS + 96 + i] = tables.articulation[t]


@inlined
def summed(lanes, i):  # type: ignore[no-untyped-def]
    """Early and late covariances of lane i, importance-weighted and summed over time."""
    s, z = lanes[SUMS + 64 + i], lanes[SUMS + 80 + i]
    return (
        (
            lanes[i] * s + lanes[64 + i] * z,
            lanes[16 + i] * s + lanes[80 + i] * z,
            lanes[32 + i] * s + lanes[96 + i] * z,
            lanes[48 + i] * s + lanes[112 + i] * z,
        ),
        (
            lanes[128 + i] * s + lanes[192 + i] * z,
            lanes[144 + i] * s + lanes[208 + i] * z,
            lanes[160 + i] * s + lanes[224 + i] * z,
            lanes[176 + i] * s + lanes[240 + i] * z,
        ),
    )


@part
def load_maskers(b: int, size: int, tables: Tables, at: Work) -> None:
    """Put importance-weighted sums of the total, less the lane's own, into the lanes."""
    weight, total, lanes = tables.weight, at.total, at.lanes
    for i in range(size):
        t = at.track[i]
        a0, a1, a2, a3 = NONE, NONE, NONE, NONE
        for f in range(weight.shape[2]):
            w = weight[b, t, f]
            a0 += w * total[0, f]
            a1 += w * total[1, f]
            a2 += w * total[2, f]
            a3 += w * total[3, f]
        early, late = summed(lanes, i)
        lanes[SUMS + i] = a0 - early[0] - late[0]
        lanes[SUMS + 16 + i] = a1 - early[1] - late[1]
        lanes[SUMS + 32 + i] = a2 - early[2] - late[2]
        lanes[SUMS + 48 + i] = a3 - early[3] - late[3]


@part
def take_out_groups(b: int, size: int, picked: Picked, tables: Tables, at: Work) -> None:
    """Take the other members of each lane's group out of its masker."""
    gains, lanes = picked.gains, at.lanes
    for i in range(size):
        t = at.track[i]
        for j in range(tables.starts[t], tables.starts[t + 1]):
            r = picked.rows[tables.members[j]]
            s, z = tables.pairs[0, b, j], tables.pairs[1, b, j]
            for c in range(4):
                one, two = (
                    gains[r, b, c] + gains[r, b, c + 8],
                    gains[r, b, c + 4] + gains[r, b, c + 12],
                )
                lanes[SUMS + 16 * c + i] -= one * s + two * z


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
def head(tables: Tables, b: int, h: int) -> Any:
    """The loudspeakers' map in a band at one position of the head, 4 rows of 4 numbers."""
    m = tables.heads
    return (
        (m[b, h, 0, 0], m[b, h, 0, 1], m[b, h, 0, 2], m[b, h, 0, 3]),
        (m[b, h, 1, 0], m[b, h, 1, 1], m[b, h, 1, 2], m[b, h, 1, 3]),
        (m[b, h, 2, 0], m[b, h, 2, 1], m[b, h, 2, 2], m[b, h, 2, 3]),
        (m[b, h, 3, 0], m[b, h, 3, 1], m[b, h, 3, 2], m[b, h, 3, 3]),
    )


@part
def through(way: Any, x: Any) -> Any:
    """Covariances at the ears of covariances in the channels; way as from `head`."""
    return (
        way[0][0] * x[0] + way[0][1] * x[1] + way[0][2] * x[2] + way[0][3] * x[3],
        way[1][0] * x[0] + way[1][1] * x[1] + way[1][2] * x[2] + way[1][3] * x[3],
        way[2][0] * x[0] + way[2][1] * x[1] + way[2][2] * x[2] + way[2][3] * x[3],
        way[3][0] * x[0] + way[3][1] * x[1] + way[3][2] * x[2] + way[3][3] * x[3],
    )


@part
def mixed(lanes: Array) -> None:
    """Fill in all lanes from `MIXED` on, but for the binaural gain."""
    for i in range(LANES):
        early, late = summed(lanes, i)
        own = blur(early[0] + early[1], late[0] + late[1], lanes[SUMS + 96 + i])
        for c in range(4):
            lanes[MIXED + 16 * c + i] = early[c]
            lanes[MIXED + 64 + 16 * c + i] = late[c]
            lanes[MIXED + 144 + 16 * c + i] = lanes[SUMS + 16 * c + i] + own * late[c]
        lanes[MIXED + 128 + i] = own


@inlined
def early_and_masker(lanes, i):  # type: ignore[no-untyped-def]
    """Covariances that the binaural gain looks at, in the channels, of lane i."""
    early = (lanes[MIXED + i], lanes[MIXED + 16 + i], lanes[MIXED + 32 + i], lanes[MIXED + 48 + i])
    masker = (
        lanes[MIXED + 144 + i],
        lanes[MIXED + 160 + i],
        lanes[MIXED + 176 + i],
        lanes[MIXED + 192 + i],
    )
    return early, masker


@inlined
def _put(lanes, i, out, k, inside, right, near, far):  # type: ignore[no-untyped-def]
    """Signal s0 x + s1 y and noise n0 x + n1 y + k N over templates x, y, of one way."""
    useful = ONE - lanes[SUMS + 96 + i]
    room = k * (lanes[MIXED + 128 + i] - inside)
    lanes[out + i] = near[0] + useful * far[0]
    lanes[out + 16 + i] = near[1] + useful * far[1]
    lanes[out + 32 + i] = room * far[0] - inside * k * near[0]
    lanes[out + 48 + i] = room * far[1] - inside * k * near[1]
    lanes[out + 64 + i] = k
    lanes[out + 80 + i] = ONE if right else NONE


@part
def headphones(threshold: Any, limit: Any, lanes: Array, inside: Any) -> None:
    """Coefficients in all lanes where each ear hears one channel."""
    for i in range(LANES):
        early, masker = early_and_masker(lanes, i)
        useful = ONE - lanes[SUMS + 96 + i]
        left = early[0] + useful * lanes[MIXED + 64 + i]
        right = (early[1] + useful * lanes[MIXED + 80 + i]) * masker[0] > left * masker[1]
        k = threshold / binaural_gain(early, masker, limit)
        g0, g1, g4, g5 = lanes[i], lanes[16 + i], lanes[64 + i], lanes[80 + i]
        h0, h1, h4, h5 = lanes[128 + i], lanes[144 + i], lanes[192 + i], lanes[208 + i]
        near = (g1 if right else g0, g5 if right else g4)
        far = (h1 if right else h0, h5 if right else h4)
        _put(lanes, i, EARS, k, inside, right, near, far)


@part
def add_gain(way: Any, part: Any, limit: Any, lanes: Array) -> None:
    """Add a part of the binaural gain at one position of the head to that of all lanes."""
    for i in range(LANES):
        early, masker = early_and_masker(lanes, i)
        gain = binaural_gain(through(way, early), through(way, masker), limit)
        lanes[MIXED + 208 + i] += part * gain


@part
def loudspeakers(way: Any, threshold: Any, lanes: Array, inside: Any) -> None:
    """Coefficients in all lanes for ears at the centre, their binaural gain being known."""
    (l0, l1, l2, l3), (r0, r1, r2, r3) = way[0], way[1]
    for i in range(LANES):
        early, masker = early_and_masker(lanes, i)
        useful = ONE - lanes[SUMS + 96 + i]
        s0 = early[0] + useful * lanes[MIXED + 64 + i]
        s1 = early[1] + useful * lanes[MIXED + 80 + i]
        s2 = early[2] + useful * lanes[MIXED + 96 + i]
        s3 = early[3] + useful * lanes[MIXED + 112 + i]
        left = (l0 * s0 + l1 * s1 + l2 * s2 + l3 * s3) * (
            r0 * masker[0] + r1 * masker[1] + r2 * masker[2] + r3 * masker[3]
        )
        right = (r0 * s0 + r1 * s1 + r2 * s2 + r3 * s3) * (
            l0 * masker[0] + l1 * masker[1] + l2 * masker[2] + l3 * masker[3]
        ) > left
        w0, w1, w2, w3 = (
            r0 if right else l0,
            r1 if right else l1,
            r2 if right else l2,
            r3 if right else l3,
        )
        near = (
            w0 * lanes[i] + w1 * lanes[16 + i] + w2 * lanes[32 + i] + w3 * lanes[48 + i],
            w0 * lanes[64 + i] + w1 * lanes[80 + i] + w2 * lanes[96 + i] + w3 * lanes[112 + i],
        )
        far = (
            w0 * lanes[128 + i] + w1 * lanes[144 + i] + w2 * lanes[160 + i] + w3 * lanes[176 + i],
            w0 * lanes[192 + i] + w1 * lanes[208 + i] + w2 * lanes[224 + i] + w3 * lanes[240 + i],
        )
        k = threshold / lanes[MIXED + 208 + i]
        _put(lanes, i, EARS + 96, k, inside, right, near, far)


@part
def coefficients(b: int, tables: Tables, lanes: Array, inside: float) -> None:
    """Coefficients of both ways in all lanes; inside: whether N holds the track itself (1 or 0)."""
    threshold, limit = tables.band[0, b], tables.band[1, b]
    mixed(lanes)
    headphones(threshold, limit, lanes, F32(inside))
    for i in range(LANES):
        lanes[MIXED + 208 + i] = NONE
    for h in range(3):
        add_gain(head(tables, b, h), THIRD, limit, lanes)
    loudspeakers(head(tables, b, 0), threshold, lanes, F32(inside))


@part
def heard(b: int, begin: int, end: int, tables: Tables, at: Work) -> None:
    """Audible share in one band of some lanes, at `HEARD`."""
    first, second, weight = tables.first, tables.second, tables.weight
    ears, lanes = at.ears, at.lanes
    h0, h1, floor = tables.listening[0], tables.listening[1], tables.band[2, b]
    for i in range(begin, end):
        t = at.track[i]
        a0, a1, a2 = lanes[EARS + i], lanes[EARS + 16 + i], lanes[EARS + 32 + i]
        a3, a4, p = lanes[EARS + 48 + i], lanes[EARS + 64 + i], int(lanes[EARS + 80 + i])
        b0, b1, b2 = lanes[EARS + 96 + i], lanes[EARS + 112 + i], lanes[EARS + 128 + i]
        b3, b4, q = lanes[EARS + 144 + i], lanes[EARS + 160 + i], 2 + int(lanes[EARS + 176 + i])
        total = NONE
        for f in range(weight.shape[2]):
            x, y = first[b, t, f], second[b, t, f]
            s, z = a0 * x + a1 * y, b0 * x + b1 * y
            by_phones = cell_audibility(s, a2 * x + a3 * y + a4 * (ears[p, f] + floor))
            by_speakers = cell_audibility(z, b2 * x + b3 * y + b4 * (ears[q, f] + floor))
            total += weight[b, t, f] * (h0 * s * by_phones + h1 * z * by_speakers)
        lanes[HEARD + i] = total


@part
def load_bearing(b: int, start: int, picked: Picked, tables: Tables, at: Work) -> int:
    """Take tracks that bear on a band, from the `start`-th on, up to the coefficients: how many."""
    size: int = min(LANES, tables.begins[b + 1] - start)
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
    at, rest = work(tables.first.shape[2]), work(tables.first.shape[2])
    alone = Work(rest.total, rest.ears, at.track, at.row, at.lanes)
    out[:] = NONE
    for b in range(tables.band.shape[1]):
        at.total[:] = NONE
        totals(b, picked, tables, 1.0, at.total)
        ear_energies(b, at.total, tables.ways, at.ears)
        for start in range(tables.begins[b], tables.begins[b + 1], LANES):
            size = load_bearing(b, start, picked, tables, at)
            heard(b, 0, size, tables, at)
            for i in range(size):
                t = at.track[i]
                if tables.starts[t] < tables.starts[t + 1]:
                    copy_rows(at.total, alone.total)
                    without_group(b, t, picked, tables, alone.total)
                    ear_energies(b, alone.total, tables.ways, alone.ears)
                    heard(b, i, i + 1, tables, alone)
                out[t, b] = at.lanes[HEARD + i]
