"""What a track really sounds like from one place, as small quadratic forms.

The analysed passage is heard once in every channel (`placement.positions`); what is kept are the
Gram matrices of the channels: in each band as coefficients on two time templates, early and late
apart; over the whole passage, early, late and direct; in the low thirds; K-weighted in the 400 ms
blocks of BS.1770. Every blend, pan and width at that place is then an exact quadratic form of
them, and nothing needs correcting afterwards. Only the course in time is approximate: two
templates stand for every frame.

*Conventions*: P packed numbers of C channels (`layout.pack_gram`), B = 39 bands, K = 2 templates,
F frames of the analysis or n clustered ones. Energies are absolute mean squares.

Early and late sound of a recorded track cannot be told apart but by their course: in each band the
energy of every channel is fitted as a multiple of the driest position's envelope (template 0) plus
a multiple of that envelope after an exponential decay (template 1). This is an estimate; a track
with one position counts as all early.

`Measured`: what is kept. `Templates`: how a track goes in time. `measure`: sound to `Measured`.
`dry_templates`, `recorded_templates`: of either kind.

Sources
-------
Least squares in two unknowns: closed form. 80 ms border: ISO 3382-1 (C80). ITU-R BS.1770-5.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import sosfilt

from placer.audio.envelopes import (
    BandFilters,
    band_filters,
    excitation,
    low_spectra,
    smear,
    spectra,
)
from placer.audio.k_weighting import k_weighting
from placer.audio.loudness import MOMENTARY_STEPS, STEP_SECONDS
from placer.placement.grams import gathered_products
from placer.placement.layout import Layout, pack_gram
from placer.placement.positions import CLOSE_NAMES, ChannelSound
from placer.precision import product
from sim.bands import ERB_CENTRES
from sim.decibel import FloatArray

DECAY_TIMES = (0.4, 0.6, 0.9, 1.3, 1.9, 2.7)
"""Reverberation times in s that the fit of a recorded track chooses from."""

FLOOR = 1e-9
"""Share of a peak added everywhere, so that silence divides by something."""


@dataclass(frozen=True, slots=True)
class Templates:
    """How a track goes in time.

    Attributes
    ----------
    full : (B, K, F) in every frame of the analysis
    few : (B, K, n) the means over clustered frames; weight : (n,) share of frames of each
    label : (F,) the cluster of each frame
    """

    full: FloatArray
    few: FloatArray
    weight: FloatArray
    label: np.ndarray


@dataclass(frozen=True, slots=True)
class Measured:
    """Packed Grams of a track at one place.

    Attributes
    ----------
    early, late : (P, B, K) coefficients of excitation on the track's templates
    totals : (3, P, B) plain mean powers of the whole, of its late and of its direct sound
    thirds : (P, 11) of early and late together
    blocks : (P, block) K-weighted mean powers in blocks of 400 ms, one every 100 ms
    close_delay : s by which the close position is delayed here
    """

    early: FloatArray
    late: FloatArray
    totals: FloatArray
    thirds: FloatArray
    blocks: FloatArray
    close_delay: float

    @property
    def nbytes(self) -> int:
        """Size in memory."""
        arrays = (self.early, self.late, self.totals, self.thirds, self.blocks)
        return sum(array.nbytes for array in arrays)


def clustered(full: FloatArray, label: np.ndarray) -> tuple[FloatArray, FloatArray]:
    """Means (..., n) of frames (..., F) of each label from 0 to n - 1, and the labels' shares (n,).

    No label is without a frame.
    """
    sizes = np.bincount(label).astype(float)
    return product(full, np.eye(sizes.size)[label] / sizes), sizes / label.size


def dry_envelopes(samples: FloatArray, sample_rate: int, decay_time: FloatArray) -> FloatArray:
    """Templates (B, 2, F) of a dry stem: its own excitation, and after the room's decay."""
    filters = band_filters(sample_rate)
    own = excitation(spectra(samples, filters), filters)
    late = smear(own, decay_time, filters.hop / sample_rate)
    return np.stack([own, late], axis=1)


def recorded_envelopes(layout: Layout, samples: FloatArray, sample_rate: int) -> FloatArray:
    """Templates (B, 2, F) of a recorded track: of its driest position, and after a fitted decay."""
    filters = band_filters(sample_rate)
    spectrum = spectra(samples, filters)
    edges = np.cumsum((0, *layout.channels))
    energies = np.stack(
        [excitation(spectrum[a:b], filters) for a, b in zip(edges, edges[1:], strict=False)]
    )
    index = driest(layout, energies.sum(axis=1))
    own, others = energies[index], np.delete(energies, index, axis=0)
    seconds = filters.hop / sample_rate
    late = min(
        (smear(own, np.full(len(ERB_CENTRES), time), seconds) for time in DECAY_TIMES),
        key=lambda tail: _misfit(others, own, tail),
    )
    return np.stack([own, late], axis=1)


def driest(layout: Layout, energies: FloatArray) -> int:
    """Index of the position with the least room.

    Parameters
    ----------
    energies : (position, frame) FloatArray
        Broad-band energy over time.

    Returns
    -------
    int
        A position named like a close one, else the one whose level moves most over time.
    """
    for index, name in enumerate(layout.positions):
        if name.lower() in CLOSE_NAMES:
            return index
    levels = np.log(energies + FLOOR * energies.max(axis=1, keepdims=True) + 1e-30)
    return int(np.argmax(np.mean(np.abs(np.diff(levels, axis=1)), axis=1)))


def fitted_energies(energies: FloatArray, envelopes: FloatArray) -> FloatArray:
    """Fit energies over time as sums of two envelopes, neither gain below 0.

    Parameters
    ----------
    energies : (n, B, F) FloatArray
    envelopes : (B, 2, F) FloatArray

    Returns
    -------
    (n, B, 2) FloatArray
        Scaled so that the mean over time is kept.
    """
    found: FloatArray = _positive(energies, envelopes, np.ones(envelopes.shape[-1]))[..., 0, :]
    return found


def _misfit(energies: FloatArray, early: FloatArray, late: FloatArray) -> float:
    """Mean error of a fit of energies (position, B, F) on two envelopes (B, F), in logarithms."""
    if energies.shape[0] == 0:
        return 0.0
    full = np.stack([early, late], axis=1)
    model = fitted_energies(energies, full)[..., None, :] @ full
    floor = 1e-6 * energies.max(axis=-1, keepdims=True) + 1e-30
    return float(np.mean(np.abs(np.log((energies + floor) / (model[..., 0, :] + floor)))))


def _solver(templates: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weighted products (B, K, K) of templates and weighted templates (B, K, n)."""
    relative = weight / (templates.sum(1) + FLOOR * templates.max((1, 2))[:, None] + 1e-30)
    weighted = templates * relative[:, None]
    return weighted @ templates.swapaxes(1, 2), weighted


def _fitted(grams: FloatArray, templates: FloatArray, weight: FloatArray) -> FloatArray:
    """Coefficients (P, B, K) that fit packed Grams (P, B, n) on templates (B, K, n) best.

    The mean over time is kept.
    """
    products, weighted = _solver(templates, weight)
    ridge = 1e-7 * np.trace(products, axis1=1, axis2=2)[:, None, None] + 1e-30
    inverse = np.linalg.inv(products + ridge * np.eye(2))
    right = np.einsum("pbn,bkn->pbk", grams, weighted, optimize=True)
    found: FloatArray = np.einsum("bkl,pbl->pbk", inverse, right)
    return found


def _positive(grams: FloatArray, templates: FloatArray, weight: FloatArray) -> FloatArray:
    """As `_fitted`, with no coefficient below 0, for energies (C, B, n): (C, B, 1, K)."""
    products, weighted = _solver(templates, weight)
    right = np.einsum("pbn,bkn->pbk", grams, weighted, optimize=True)
    ee, el, ll = products[:, 0, 0], products[:, 0, 1], products[:, 1, 1]
    ge, gl = right[..., 0], right[..., 1]
    determinant = ee * ll - el * el
    sure = determinant > 1e-9 * ee * ll + 1e-30
    safe = np.where(sure, determinant, np.inf)
    a, b = (ge * ll - gl * el) / safe, (gl * ee - ge * el) / safe
    only_early, only_late = ge / np.maximum(ee, 1e-30), gl / np.maximum(ll, 1e-30)
    early = np.where((b <= 0.0) | ~sure, only_early, np.where(a <= 0.0, 0.0, a))
    late = np.where(b <= 0.0, 0.0, np.where((a <= 0.0) & sure, only_late, b))
    found = np.stack([np.maximum(early, 0.0), np.maximum(late, 0.0)], axis=-1)
    mean = (grams * weight).sum(-1) / weight.sum()
    level = (templates * weight).sum(-1) / weight.sum()
    modelled = (found * level).sum(-1)
    scale = np.where(modelled > 0.0, mean / np.maximum(modelled, 1e-30), 0.0)
    return np.asarray(found * scale[..., None])[..., None, :]


def measure(sound: ChannelSound, templates: Templates, sample_rate: int) -> Measured:
    """Measure the sound of a track's channels.

    Parameters
    ----------
    templates : Templates
        Of the track.
    sample_rate : int
        Hz.
    """
    filters, whole = band_filters(sample_rate), sound.whole
    spectrum = spectra(sound.early, filters)
    bands, plain = _gathered(spectrum, templates, filters)
    count = len(sound.early)
    if sound.late is None:
        early, late, totals = _shared_out(bands, plain, templates, count)
    else:
        after = spectra(sound.late, filters)
        later, later_plain = _gathered(after, templates, filters)
        early = _fitted(bands, templates.few, templates.weight)
        late = _fitted(later, templates.few, templates.weight)
        share = np.sqrt(np.outer(sound.direct_share, sound.direct_share))
        both = gathered_products(spectrum + after, np.zeros_like(templates.label), 1)[:, 0]
        whole_plain = product(both / templates.label.size, filters.plain.T)
        shares = pack_gram(share * (1.0 + 1.0j))  # of real and of imaginary parts alike
        totals = np.stack([whole_plain, later_plain, shares[:, None] * plain])
    return Measured(
        early=early.astype(np.float32),
        late=late.astype(np.float32),
        totals=totals.astype(np.float32),
        thirds=_thirds(whole, sample_rate).astype(np.float32),
        blocks=_blocks(whole, sample_rate).astype(np.float32),
        close_delay=sound.close_delay,
    )


def _gathered(
    spectrum: np.ndarray, templates: Templates, filters: BandFilters
) -> tuple[FloatArray, FloatArray]:
    """Mean excitation Grams (P, B, n) of clustered frames, and plain ones (P, B) over all."""
    count = templates.weight.size
    sums = gathered_products(spectrum, templates.label, count)
    frames = templates.label.size
    sizes = (templates.weight * frames).astype(np.float32)
    bands = product(sums / sizes[:, None], filters.excitation.T)
    plain = product(sums.sum(1) / frames, filters.plain.T)
    return np.moveaxis(bands, 1, 2), plain


def _shared_out(
    bands: FloatArray, plain: FloatArray, templates: Templates, count: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Early and late coefficients (P, B, K) and totals (3, P, B) of a recording.

    The energy of every channel is shared as the fit says; late sound is taken as incoherent between
    channels, so that measured cross terms belong to the early part as far as the early energies can
    carry them. Direct sound cannot be told from early sound and counts as the same.
    """
    rows, columns = np.triu_indices(count)
    diagonal = np.flatnonzero(rows == columns)
    shares = _positive(bands[diagonal], templates.few, templates.weight)[..., 0, :]
    level = (templates.few * templates.weight).sum(-1)  # (B, K)
    part = shares * level
    whole = np.maximum(part.sum(-1), 1e-30)
    late_part = np.where(part.sum(-1) > 0.0, part[..., 1] / whole, 0.0)  # (C, B)
    mean = (bands * templates.weight).sum(-1)
    per_level = np.where(level > 0.0, 1.0 / np.maximum(level, 1e-30), 0.0)
    near, far = split_pairs(mean, late_part)
    zeros = np.zeros_like(near)
    early = np.stack([near * per_level[:, 0], zeros], axis=-1)
    late = np.stack([zeros, far * per_level[:, 1]], axis=-1)
    total_early, total_late = split_pairs(plain, late_part)
    return early, late, np.stack([plain, total_late, total_early])


def split_pairs(grams: FloatArray, late_part: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Share packed Grams (P, B) between early and late, given each channel's late part (C, B)."""
    count = len(late_part)
    rows, columns = np.triu_indices(count)
    strict = rows != columns
    pairs = rows.size
    energy = np.maximum(grams[:pairs][~strict], 0.0)
    carry_early, carry_late = np.sqrt(energy * (1.0 - late_part)), np.sqrt(energy * late_part)
    cross = grams[:pairs][strict] + 1j * grams[pairs:]
    size = np.abs(cross)
    first, second = rows[strict], columns[strict]
    most_early = carry_early[first] * carry_early[second]
    to_early = np.minimum(1.0, most_early / np.maximum(size, 1e-30))
    most_late = carry_late[first] * carry_late[second]
    to_late = np.minimum(size * (1.0 - to_early), most_late) / np.maximum(size, 1e-30)
    found = []
    for own, share in ((1.0 - late_part, to_early), (late_part, to_late)):
        real = np.zeros((pairs, grams.shape[1]))
        real[~strict] = energy * own
        part = cross * share
        real[strict] = part.real
        found.append(np.concatenate([real, part.imag]))
    return found[0], found[1]


def _thirds(whole: FloatArray, sample_rate: int) -> FloatArray:
    """Packed Grams (P, 11) in the low thirds.

    Summed by the compiled loop: numpy's own sum of products has another order in another version,
    and the last digits of a figure may send a whole search another way.
    """
    low, weights = low_spectra(whole, sample_rate)
    frames = low.shape[1]
    gram = gathered_products(low, np.zeros(frames, dtype=np.int64), 1)[:, 0] / frames
    packed: FloatArray = gram @ weights.T
    return packed


def _blocks(whole: FloatArray, sample_rate: int) -> FloatArray:
    """K-weighted packed Grams (P, block) of sound (C, frame); less than a block counts as one."""
    weighted = sosfilt(k_weighting(sample_rate), whole, axis=-1)
    step = round(STEP_SECONDS * sample_rate)
    count = whole.shape[-1] // step
    if count < MOMENTARY_STEPS:
        return np.asarray(pack_gram(weighted @ weighted.T / whole.shape[-1])[:, None])
    steps = weighted[:, : count * step].reshape(len(whole), count, step).swapaxes(0, 1)
    grams = pack_gram(np.moveaxis(steps @ steps.swapaxes(1, 2) / step, 0, 2))
    runs = np.lib.stride_tricks.sliding_window_view(grams, MOMENTARY_STEPS, axis=-1)
    return np.asarray(runs.mean(-1))
