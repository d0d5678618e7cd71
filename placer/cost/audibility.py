"""How much of each layer can be heard through all the others.

Unit: share of a track, 0 (hidden) to 1 (as if alone), summed over its bands and frames by
importance. In dB: the level above masked threshold that one steady cell with that share would have
(`margin_db`, at most 20). Witnesses, in the tests: Hawley et al. (2004) thresholds with a measured
head, masking level differences, the threshold table, partial loudness.

For every way of listening, band and frame, at the better ear: A = S / (S + S/100 + k N).
S is early energy and, for roles that do not articulate, late energy; N is everything else outside
the track's group and the own late energy that blurs. k = K / U: K the signal-to-noise ratio at
masked threshold, U the binaural gain. The better ear and U are chosen once a band, over time; per
cell, any decorrelated reverberation would look like separation. With loudspeakers U is the mean
over three positions of the head (`sim.ears.HEAD_POSITIONS`): what cancels in one spot alone is no
gain; the energies at the ears are those at the centre.

Half of the cost looks at all tracks, half at the most hidden quarter of the foreground, which
carries the music. The background may lose `Limits.background_db` of margin free of cost.

Sources
-------
K: Moore, Glasberg & Baer (1997), J. Audio Eng. Soc. 45, 224, values as tabulated from its figure.
U: equalisation-cancellation with the k(f) of Culling, Hawley & Litovsky (2004), J. Acoust. Soc.
Am. 116, 1057 (erratum 2005); see `placer.cost.binaural`.
Ceiling of 20 dB a band: Vicente & Lavandier (2020), Hear. Res. 390, 107937.
Early useful, late masking: Leclere, Lavandier & Culling (2015), J. Acoust. Soc. Am. 137, 3335.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from placer.cost import formulas
from placer.cost.binaural import binaural_gain, cancellation_limit
from placer.cost.scene import IntArray, Scene
from sim.decibel import FloatArray, energy, energy_db
from sim.ears import WAYS, ear_maps, head_maps

THRESHOLD_HZ = (50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 400.0, 500.0, 1000.0)
THRESHOLD_DB = (13.5, 10.0, 7.1, 4.9, 3.1, 1.5, 0.4, -0.5, -1.9, -2.3, -3.0)
"""Signal-to-noise ratio in a band at masked threshold, Moore, Glasberg & Baer (1997)."""

FLOOR = 1e-9
"""Noise floor of every band relative to the reference mix, so that silence divides by something."""

TOGETHER = 1 << 18
"""Numbers of one array in time that are worked on at once: as many bands as make so many. They stay
near the processor, and memory does not grow with tracks."""


@dataclass(frozen=True, slots=True)
class Audibility:
    """How much of each track can be heard.

    Attributes
    ----------
    share : (T,) over both ways of listening
    gain_db : (2, T, B) binaural unmasking by either of them
    hides : (T, T) share of the row's track that the column's hides; own late energy on the
        diagonal; each row sums with 1.01 share to 1
    """

    share: FloatArray
    gain_db: FloatArray
    hides: FloatArray


def threshold_ratio(centres: FloatArray) -> FloatArray:
    """Signal-to-noise energy ratio at masked threshold, (B,) from Hz.

    Linear in dB over log frequency. Below 50 Hz the 50 Hz value is held: nothing is tabulated
    there, and going on with the slope would declare every sub-bass inaudible (24 dB at 26 Hz).
    """
    level_db = np.interp(np.log(centres), np.log(THRESHOLD_HZ), THRESHOLD_DB)
    return np.asarray(energy(level_db))


def hidden_quarter(share: FloatArray, weight: FloatArray) -> FloatArray:
    """Weight of each track in the most hidden quarter, summing to 1.

    Tracks are taken from the most hidden on until a quarter of all weight is reached; the last one
    counts in part, so that the mean moves smoothly.

    Examples
    --------
    >>> hidden_quarter(np.array([0.9, 0.1, 0.8, 0.7]), np.ones(4)).tolist()
    [0.0, 1.0, 0.0, 0.0]
    """
    order = np.argsort(share, kind="stable")
    quarter = 0.25 * weight.sum()
    ends = np.cumsum(weight[order])
    taken = np.minimum(ends, quarter) - np.minimum(ends - weight[order], quarter)
    part = np.zeros_like(weight, dtype=float)
    part[order] = taken / quarter
    return part


def audibility_cost(scene: Scene, share: FloatArray, margin_before_db: FloatArray) -> float:
    """One minus half the weighted mean and half the foreground's most hidden quarter, and more.

    Parameters
    ----------
    share : (T,) FloatArray
        Audible share of each track.
    margin_before_db : (T,) FloatArray
        `margin_db` of the reference.

    Returns
    -------
    float
        0 or more; above 1 where the background loses more than anything gains.
    """
    mean = float((share * scene.share).sum())
    hidden = float((share * hidden_quarter(share, scene.foreground_share)).sum())
    free = scene.limits.background_db
    lost = formulas.background_loss(formulas.margin_db(share), margin_before_db, free)
    return 1.0 - 0.5 * mean - 0.5 * hidden + float((scene.background_share * lost).sum())


def audibility(scene: Scene, early: FloatArray, late: FloatArray) -> Audibility:
    """How much of each track can be heard through the others.

    Parameters
    ----------
    early, late : (T, 4, B, F) FloatArray
        Excitation covariances of the channels.
    """
    bands = len(scene.centres)
    step = max(1, TOGETHER // max(1, early[:, :, 0].size))
    parts = [slice(start, start + step) for start in range(0, bands, step)]
    heard = [_some_bands(scene, part, early[:, :, part], late[:, :, part]) for part in parts]
    cells, gains, hides = zip(*heard, strict=True)
    listening = np.array(scene.listening)
    return Audibility(
        share=listening @ np.concatenate(cells, -1).sum(-1),
        gain_db=energy_db(np.concatenate(gains, -1)),
        hides=np.einsum("w,wts->ts", listening, np.sum(hides, axis=0)),
    )


@dataclass(frozen=True, slots=True)
class _Bands:
    """Some bands of a scene: importance (T, B, F), threshold and limit (B,), maps (W, 4, 4, B).

    heads holds, for either way of listening, the maps of the head's positions (P, 4, 4, B).
    """

    articulation: FloatArray
    group: IntArray
    importance: FloatArray
    threshold: FloatArray
    limit: FloatArray
    ways: FloatArray
    heads: tuple[FloatArray, FloatArray]


_Heard = tuple[FloatArray, FloatArray, FloatArray]
"""Cells (T, B) of audible importance, binaural gain (T, B), hides (T, T), each after its ways."""


def _some_bands(whole: Scene, part: slice, early: FloatArray, late: FloatArray) -> _Heard:
    """Audibility of every track in some bands; no band knows of another."""
    ways = ear_maps(whole.centres)[..., part]
    scene = _Bands(
        articulation=whole.articulation,
        group=whole.group,
        importance=whole.importance[:, part],
        threshold=threshold_ratio(whole.centres[part]),
        limit=cancellation_limit(whole.centres[part]),
        ways=ways,
        heads=(ways[:1], head_maps(whole.centres)[..., part]),
    )
    early, late = np.asarray(early, float), np.asarray(late, float)
    near = np.einsum("tbf,tcbf->tcb", scene.importance, early, optimize=True)
    far = np.einsum("tbf,tcbf->tcb", scene.importance, late, optimize=True)
    mask = formulas.blur(near[:, :2].sum(1), far[:, :2].sum(1), whole.articulation[:, None])
    others = _others(early + late, scene.group)
    masker = np.einsum("tbf,tcbf->tcb", scene.importance, others, optimize=True)
    masker += mask[:, None] * far
    reference = (whole.reference.early + whole.reference.late)[:, :2, part]
    floor = FLOOR * reference.sum((0, 1)) + 1e-30
    heard = [
        _one_way(scene, way, (early, late, others), (near, far, masker), mask=mask, floor=floor)
        for way in range(len(WAYS))
    ]
    cells, gains, hides = zip(*heard, strict=True)
    return np.stack(cells), np.stack(gains), np.stack(hides)


def _others(whole: FloatArray, group: IntArray) -> FloatArray:
    """Everything outside each track's group, (T, 4, B, F)."""
    others: FloatArray = whole.sum(0) - whole
    for number in set(group[group >= 0].tolist()):
        members = group == number
        others[members] = whole[~members].sum(0)
    return others


def better_ear(signal: FloatArray, noise: FloatArray) -> IntArray:
    """The ear (T, B) with the better ratio of importance-weighted sums (T, 2, B)."""
    right: IntArray = (signal[:, 1] * noise[:, 0] > signal[:, 0] * noise[:, 1]).astype(int)
    return right


def _one_way(
    scene: _Bands,
    number: int,
    frames: tuple[FloatArray, FloatArray, FloatArray],
    sums: tuple[FloatArray, FloatArray, FloatArray],
    *,
    mask: FloatArray,
    floor: FloatArray,
) -> _Heard:
    """Audibility of every track in those bands by one way of listening."""
    way, useful = scene.ways[number], 1.0 - scene.articulation
    gains = [
        binaural_gain(_at_ears(head, sums[0]), _at_ears(head, sums[2]), scene.limit)
        for head in scene.heads[number]
    ]
    gain = np.mean(gains, axis=0)
    near, far, masker = (_at_ears(way, part) for part in sums)
    ear = better_ear(near[:, :2] + useful[:, None, None] * far[:, :2], masker[:, :2])
    row = np.take_along_axis(way[None, :2], ear[:, None, None, :], 1)[:, 0]  # (T, 4, B)
    early, late, others = (_through(row, part) for part in frames)
    signal = early + useful[:, None, None] * late
    own = mask[:, :, None] * late
    factor = (scene.threshold / gain)[:, :, None]
    noise = np.maximum(others, 0.0) + own + floor[:, None]
    over = scene.importance * formulas.cell_audibility(signal, factor * noise)
    cells, weight = (over * signal).sum(-1), over * factor
    hides = _hides(scene, way, (frames[0] + frames[1], weight, ear))
    np.fill_diagonal(hides, (weight * own).sum((1, 2)))
    return cells, gain, hides


def _at_ears(way: FloatArray, sums: FloatArray) -> FloatArray:
    """Covariances (T, 4, B) at the ears of sums (T, 4, B) in the channels."""
    ears: FloatArray = np.einsum("dcb,tcb->tdb", way, sums)
    return ears


def _through(row: FloatArray, covariance: FloatArray) -> FloatArray:
    """Ear energy (T, B, F) of covariances (T, 4, B, F) by one row (T, 4, B) of a way."""
    parts = [row[:, c, :, None] * covariance[:, c] for c in range(4) if np.any(row[:, c])]
    total = parts[0]
    for part in parts[1:]:
        total += part
    return total


def _hides(
    scene: _Bands, way: FloatArray, parts: tuple[FloatArray, FloatArray, IntArray]
) -> FloatArray:
    """Share of each row's track that each column's track hides."""
    whole, weight, ear = parts
    count = len(scene.group)
    hides = np.zeros((count, count))
    for side in range(len(WAYS)):
        at_ear = _through(way[None, side], whole).reshape(count, -1)
        chosen = (weight * (ear == side)[:, :, None]).reshape(count, -1)
        hides += chosen @ at_ear.T
    same = (scene.group[:, None] == scene.group) & (scene.group[:, None] >= 0)
    return np.where(same, 0.0, hides)
