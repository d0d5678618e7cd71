"""The table of a recorded track: what its own microphone positions hold.

*Conventions*: channels are the positions' files in order; everything is measured on the analysed
passage. As for a dry track, a Gram is relative to a source envelope; here the source is the
position that carries the least room.

How early and late are told apart: in each band the energy of every pair of channels over time is
fitted as a multiple of the driest position's envelope plus a multiple of that envelope after an
exponential decay that begins 80 ms later. The decay time is the one of `DECAY_TIMES` that explains
all positions best. This is an estimate: a track with one position only counts as all early.

`recorded_table`: the look-ups. `split`: the fit.

Sources
-------
Non-negative least squares in two unknowns (closed form). 80 ms: ISO 3382-1 (C80).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.signal import correlate, sosfilt

from placer.audio.envelopes import BandFilters, band_filters, low_spectra, smear, spectra
from placer.audio.k_weighting import k_weighting
from placer.audio.loudness import MOMENTARY_STEPS, STEP_SECONDS
from placer.cue.records import Track
from placer.placing.gating import gated
from placer.placement.layout import Layout, covariance_weights, pack_gram, stereo_matrix
from placer.placing.table import (
    FLOOR,
    Grams,
    RecordedGrams,
    SourceSound,
    TrackTable,
    Variant,
    table_of,
)
from sim.decibel import FloatArray

DECAY_TIMES = (0.4, 0.6, 0.9, 1.3, 1.9, 2.7)
"""Reverberation times in s that the fit chooses from."""

CLOSE_NAMES = ("close", "spot", "near", "direct")
"""Names of positions taken to be the driest where a track has one of them."""

LONGEST_DELAY = 0.06
"""Longest close delay looked for, s (20 m of path)."""


def driest(layout: Layout, energies: FloatArray) -> int:
    """Index of the position with the least room.

    Parameters
    ----------
    layout : Layout
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


def split(gram: FloatArray, early: FloatArray, late: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit energies over time as a * early + b * late, a and b not negative.

    Parameters
    ----------
    gram : (pair, band, frame) FloatArray
    early, late : (band, frame) FloatArray

    Returns
    -------
    a, b : (pair, band) FloatArray
        Scaled so that the mean over time is kept.
    """
    weight = 1.0 / (early + late + FLOOR * np.max(early, axis=-1, keepdims=True) + 1e-30)
    ee, el, ll = (np.sum(weight * x * y, -1) for x, y in ((early,) * 2, (early, late), (late,) * 2))
    ge = np.einsum("pbf,bf->pb", gram, weight * early)
    gl = np.einsum("pbf,bf->pb", gram, weight * late)
    determinant = ee * ll - el * el
    safe = np.where(determinant > 1e-9 * ee * ll + 1e-30, determinant, np.inf)
    a, b = (ge * ll - gl * el) / safe, (gl * ee - ge * el) / safe
    only_early = ge / np.maximum(ee, 1e-30)
    only_late = gl / np.maximum(ll, 1e-30)
    a, b = (
        np.where((b <= 0) | np.isinf(safe), only_early, np.where(a <= 0, 0.0, a)),
        np.where(b <= 0, 0.0, np.where((a <= 0) & np.isfinite(safe), only_late, b)),
    )
    mean = gram.mean(-1)
    modelled = a * early.mean(-1) + b * late.mean(-1)
    scale = np.where(modelled > 0, mean / np.maximum(modelled, 1e-30), 0.0)
    return np.maximum(a * scale, 0.0), np.maximum(b * scale, 0.0)


def close_lag(layout: Layout, samples: FloatArray, sample_rate: int) -> float:
    """Delay in s that lets the first close position meet the next position, 0 where there is none.

    The lag of the largest cross-correlation between 0 and `LONGEST_DELAY`.
    """
    if len(layout.positions) < 2 or layout.positions[0].lower() not in CLOSE_NAMES:
        return 0.0
    first = samples[: layout.channels[0]].sum(axis=0)
    start = layout.channels[0]
    second = samples[start : start + layout.channels[1]].sum(axis=0)
    correlation = correlate(second, first, mode="full", method="fft")
    centre = first.size - 1
    most = min(round(LONGEST_DELAY * sample_rate), second.size - 1)
    return int(np.argmax(np.abs(correlation[centre : centre + most + 1]))) / sample_rate


def delayed(samples: FloatArray, channels: int, frames: int) -> FloatArray:
    """Copy of (channel, frame) samples with the first `channels` channels `frames` later."""
    moved = samples.copy()
    if frames > 0:
        moved[:channels, frames:] = samples[:channels, :-frames]
        moved[:channels, :frames] = 0.0
    return moved


def recorded_table(
    track: Track, layout: Layout, samples: FloatArray, sample_rate: int
) -> TrackTable:
    """Build the look-ups of a recorded track.

    Parameters
    ----------
    track : Track
    layout : Layout
        From `passages.track_layout`.
    samples : (channel, frame) FloatArray
        The analysed passage of all positions, stacked in layout order.
    sample_rate : int
        Hz.

    Returns
    -------
    TrackTable
        One variant as recorded and, where a close position leads another, one aligned; the
        start's alone where the delay is locked.
    """
    filters = band_filters(sample_rate)
    variants = _variants(track, close_lag(layout, samples, sample_rate))
    measured = [
        _Measured(
            layout,
            delayed(samples, layout.channels[0], round(variant.close_delay * sample_rate)),
            filters,
        )
        for variant in variants
    ]
    source = measured[0].source(track)
    grams = [one.grams(source) for one in measured]
    return replace(
        table_of(layout, source, list(zip(variants, grams, strict=True))),
        recorded=RecordedGrams(
            whole=np.stack([one.whole() for one in measured]),
            blocks=np.stack([one.blocks for one in measured]),
        ),
    )


def _variants(track: Track, lag: float) -> list[Variant]:
    """As recorded and aligned, where there is something to align; one where that is locked."""
    if lag == 0.0:
        return [Variant(None, aligned=False, close_delay=0.0)]
    locked = track.fixed or "delay" in track.locks
    return [
        Variant(None, aligned=aligned, close_delay=lag if aligned else 0.0)
        for aligned in ((track.start.aligned,) if locked else (False, True))
    ]


def k_weighted_blocks(samples: FloatArray, sample_rate: int) -> FloatArray:
    """K-weighted mean powers of channels in the 400 ms blocks of BS.1770, packed Grams (P, block).

    Sound shorter than a block counts as one.
    """
    weighted = sosfilt(k_weighting(sample_rate), samples, axis=-1)
    step = round(STEP_SECONDS * sample_rate)
    count = samples.shape[-1] // step
    if count < MOMENTARY_STEPS:
        return np.asarray(pack_gram(weighted @ weighted.T / samples.shape[-1])[:, None])
    steps = weighted[:, : count * step].reshape(len(samples), count, step).swapaxes(0, 1)
    grams = pack_gram(np.moveaxis(steps @ steps.swapaxes(1, 2) / step, 0, 2))
    runs = np.lib.stride_tricks.sliding_window_view(grams, MOMENTARY_STEPS, axis=-1)
    return np.asarray(runs.mean(-1), dtype=np.float32)


class _Measured:
    """Short-time Gram matrices of one arrangement of a recorded track's channels."""

    def __init__(self, layout: Layout, samples: FloatArray, filters: BandFilters) -> None:
        self.layout, self.filters = layout, filters
        spectrum = spectra(samples, filters)
        low, low_weights = low_spectra(samples, filters.sample_rate)
        gram = np.einsum("itf,jtf->ijf", low, low.conj(), optimize=True) / low.shape[1]
        self.thirds = pack_gram(gram) @ low_weights.T
        rows, columns = np.triu_indices(layout.count)
        strict = np.flatnonzero(rows != columns)
        pairs = rows.size + strict.size
        frames = spectrum.shape[1]
        self.frames = np.zeros((pairs, 39, frames), dtype=np.float32)
        self.means = np.zeros((pairs, filters.frequencies.size))
        self.blocks = k_weighted_blocks(samples, filters.sample_rate)
        for pair, (row, column) in enumerate(zip(rows, columns, strict=True)):
            product = spectrum[row] * np.conj(spectrum[column])
            self.frames[pair] = filters.excitation @ product.real.T
            self.means[pair] = product.real.mean(axis=0)
            if row != column:
                other = rows.size + int(np.searchsorted(strict, pair))
                self.frames[other] = filters.excitation @ product.imag.T
                self.means[other] = product.imag.mean(axis=0)
        self.diagonal = np.flatnonzero(rows == columns)

    def source(self, track: Track) -> SourceSound:
        """Envelope of the driest position, decay by the best fit, power of the reference."""
        energies = self.frames[self.diagonal]
        edges = np.cumsum((0, *self.layout.channels))
        positions = np.stack([energies[a:b].sum(0) for a, b in zip(edges, edges[1:], strict=False)])
        index = driest(self.layout, positions.sum(axis=1))
        envelope = positions[index]
        others = np.delete(positions, index, axis=0)
        seconds = self.filters.hop / self.filters.sample_rate
        late = min(
            (smear(envelope, np.full(39, time), seconds) for time in DECAY_TIMES),
            key=lambda tail: self._misfit(others, envelope, tail),
        )
        inside = self.means[self.diagonal[edges[index] : edges[index + 1]]].sum(axis=0)
        weights = covariance_weights(stereo_matrix(self.layout, track.start))[:2].sum(axis=0)
        return SourceSound(
            envelope=envelope,
            late_envelope=late,
            power=self.filters.plain @ inside,
            third_power=self.thirds[self.diagonal[edges[index] : edges[index + 1]]].sum(axis=0),
            k_power=float(gated((weights @ self.blocks)[None])[0]),
        )

    @staticmethod
    def _misfit(energies: FloatArray, early: FloatArray, late: FloatArray) -> float:
        if energies.shape[0] == 0:
            return 0.0
        a, b = split(energies, early, late)
        model = a[..., None] * early + b[..., None] * late
        floor = 1e-6 * energies.max(axis=-1, keepdims=True) + 1e-30
        return float(np.mean(np.abs(np.log((energies + floor) / (model + floor)))))

    def whole(self) -> FloatArray:
        """Mean powers in plain bands, packed (P, 39), absolute."""
        return np.asarray(self.means @ self.filters.plain.T, dtype=np.float32)

    def grams(self, source: SourceSound) -> Grams:
        """Early, late and third Grams, packed and relative to the source."""
        early, late = self._early_late(source)
        third_power = source.third_power + FLOOR * np.max(source.third_power) + 1e-30
        grams = (early, late, self.thirds / third_power)
        return tuple(part.astype(np.float32) for part in grams)

    def _early_late(self, source: SourceSound) -> tuple[FloatArray, FloatArray]:
        """Share each pair's long-term Gram between early and late.

        Diagonal entries follow the fit; a cross entry is shared as the geometric mean of the
        coherence that is left: late sound is taken as incoherent between positions, so that the
        measured cross term belongs to the early part as far as the early energies can carry it.
        """
        energies = self.frames[self.diagonal]
        a, b = split(energies, source.envelope, source.late_envelope)
        early_mean = np.maximum(source.envelope.mean(-1), 1e-30)
        late_mean = np.maximum(source.late_envelope.mean(-1), 1e-30)
        count = self.layout.count
        rows, columns = np.triu_indices(count)
        strict = rows != columns
        mean = self.frames.mean(axis=-1)
        cross = np.zeros((count, count, 39), dtype=complex)
        cross[rows, columns] = mean[: rows.size]
        cross[rows[strict], columns[strict]] += 1j * mean[rows.size :]
        carry_early, carry_late = np.sqrt(a * early_mean), np.sqrt(b * late_mean)
        can_early = carry_early[:, None] * carry_early[None, :]
        can_late = carry_late[:, None] * carry_late[None, :]
        size = np.abs(cross)
        to_early = np.where(size > 0, np.minimum(size, can_early) / np.maximum(size, 1e-30), 0.0)
        left = size * (1.0 - to_early)
        to_late = np.where(size > 0, np.minimum(left, can_late) / np.maximum(size, 1e-30), 0.0)
        index = np.arange(count)
        early, late = cross * to_early / early_mean, cross * to_late / late_mean
        early[index, index], late[index, index] = a, b
        return pack_gram(early), pack_gram(late)
