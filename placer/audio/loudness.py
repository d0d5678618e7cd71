"""How loud sound is by broadcast rules: gated loudness, loudness range and true peak.

*Conventions*: audio (channel, frame); loudness in LUFS, ranges in LU, peaks in dBTP. Channels are
mono, L R, L R C, or L R C Ls Rs. What never passes the gate reads `sim.decibel.FLOOR_DB`, not
minus infinity. No input is changed.

`integrated_loudness`, `true_peak_db`, `momentary`, `short_term`, `loudness_range`: of sound in
memory. `gated_blocks`: which 400 ms blocks count. `Meter`: fed block by block, same results.

Sources
-------
ITU-R BS.1770-5: K-weighting, channel weights, two gates (Annex 1), true peak (Annex 2).
EBU Tech 3341 v4: momentary 0.4 s, short-term 3 s. EBU Tech 3342: loudness range.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from placer.audio.k_weighting import k_weighting, k_weighting_response
from placer.audio.true_peak import PeakMeter, true_peak_db
from sim.bands import FloatArray
from sim.decibel import FLOOR_DB, energy, energy_db

__all__ = [
    "GatedBlocks",
    "Meter",
    "gated_blocks",
    "integrated_loudness",
    "k_weighting_response",
    "loudness_range",
    "momentary",
    "short_term",
    "true_peak_db",
]

OFFSET_DB = -0.691
"""BS.1770-5 eq. 2: makes 0 dBFS at 997 Hz in one channel read -3.01."""
SURROUND_WEIGHT = 1.41
ABSOLUTE_GATE_LUFS, RELATIVE_GATE_LU = -70.0, -10.0
RANGE_GATE_LU, RANGE_PERCENTILES = -20.0, (10.0, 95.0)
STEP_SECONDS = 0.1
"""A 400 ms block begins every 100 ms (75 % overlap)."""
MOMENTARY_STEPS, SHORT_TERM_STEPS = 4, 30


@dataclass(frozen=True, slots=True)
class GatedBlocks:
    """The 400 ms blocks of a sound, one every 100 ms.

    Attributes
    ----------
    power : (n,) weighted mean square of each block
    kept : (n,) whether it passes both gates
    """

    power: FloatArray
    kept: NDArray[np.bool_]

    @property
    def loudness(self) -> float:
        """Integrated loudness of the kept blocks in LUFS."""
        return float(_lufs(self.power[self.kept].mean())) if self.kept.any() else FLOOR_DB


class Meter:
    """Loudness and true peak of sound that arrives block by block.

    Parameters
    ----------
    channels : int
        1, 2, 3 or 5.
    sample_rate : int
        Hz.
    peaks : bool
        Whether true peaks are wanted; without them `true_peak_db` reads silence.
    """

    def __init__(self, channels: int, sample_rate: int, *, peaks: bool = True) -> None:
        self._steps = _WeightedSteps(channels, sample_rate)
        self._peaks = PeakMeter(channels, sample_rate)
        self._wants_peaks = peaks

    def push(self, block: NDArray[Any]) -> None:
        """Take in the next (channel, frame) of sound."""
        if block.shape[1]:
            self._steps.push(block)
            if self._wants_peaks:
                self._peaks.push(block)

    @property
    def loudness(self) -> float:
        """Integrated loudness so far, LUFS."""
        return _gated(self._steps).loudness

    @property
    def true_peak_db(self) -> float:
        """Highest true peak so far, dBTP, as if silence followed."""
        return self._peaks.level_db


def integrated_loudness(samples: NDArray[Any], sample_rate: int) -> float:
    """Measure the integrated loudness of (channel, frame) sound in LUFS.

    Sound shorter than one block of 400 ms has none and reads `sim.decibel.FLOOR_DB`.

    Examples
    --------
    >>> tone = np.sin(2 * np.pi * 997 * np.arange(48000) / 48000)
    >>> round(integrated_loudness(tone[None, :], 48000), 2)
    -3.01
    """
    return gated_blocks(samples, sample_rate).loudness


def gated_blocks(samples: NDArray[Any], sample_rate: int) -> GatedBlocks:
    """Measure the power of the 400 ms blocks of (channel, frame) sound and which of them count."""
    return _gated(_heard(samples, sample_rate))


def momentary(samples: NDArray[Any], sample_rate: int) -> FloatArray:
    """Measure momentary loudness (0.4 s windows, one every 0.1 s) in LUFS, (n,)."""
    return _lufs(_heard(samples, sample_rate).means(MOMENTARY_STEPS))


def short_term(samples: NDArray[Any], sample_rate: int) -> FloatArray:
    """Measure short-term loudness (3 s windows, one every 0.1 s) in LUFS, (n,)."""
    return _lufs(_heard(samples, sample_rate).means(SHORT_TERM_STEPS))


def loudness_range(samples: NDArray[Any], sample_rate: int) -> float:
    """Measure the loudness range in LU: 10th to 95th percentile of gated short-term loudness."""
    levels = short_term(samples, sample_rate)
    levels = levels[levels > ABSOLUTE_GATE_LUFS]
    if levels.size == 0:
        return 0.0
    gate = energy_db(float(energy(levels).mean())) + RANGE_GATE_LU
    low, high = np.percentile(levels[levels > gate], RANGE_PERCENTILES)
    return float(high - low)


def channel_weights(channels: int) -> FloatArray:
    """Give the weight of each channel's power (BS.1770-5 table 3); surrounds count 1.5 dB more."""
    if channels in (1, 2, 3):
        return np.ones(channels)
    if channels == 5:
        return np.array([1.0, 1.0, 1.0, SURROUND_WEIGHT, SURROUND_WEIGHT])
    raise ValueError(f"{channels} channels (allowed: 1, 2, 3 or 5)")


class _WeightedSteps:
    """Sums of the K-weighted square of a stream, one every 100 ms."""

    def __init__(self, channels: int, sample_rate: int) -> None:
        self._weights = channel_weights(channels)
        self._sections = k_weighting(sample_rate)
        self._memory = np.zeros((channels, 4))
        self._frames = round(STEP_SECONDS * sample_rate)
        self._sums: list[FloatArray] = []
        self._part, self._held = 0.0, 0

    def push(self, block: NDArray[Any]) -> None:
        """Take in (channel, frame); a step that is not full yet is carried over."""
        from placer.audio.weigh import Stream, weighted_sums

        stream = Stream(self._sections, self._weights, self._memory, self._frames, self._held)
        sums = weighted_sums(block, stream)
        sums[0] += self._part
        self._sums.append(sums[:-1])
        self._part = float(sums[-1])
        self._held = (self._held + block.shape[1]) % self._frames

    def means(self, steps: int) -> FloatArray:
        """Mean of every run of `steps` neighbouring steps, (n,)."""
        sums = np.concatenate([np.zeros(0), *self._sums])
        if sums.size < steps:
            return np.zeros(0)
        runs = np.lib.stride_tricks.sliding_window_view(sums, steps).sum(axis=1)
        means: FloatArray = runs / (steps * self._frames)
        return means


def _heard(samples: NDArray[Any], sample_rate: int) -> _WeightedSteps:
    """Weigh and sum all of the sound."""
    steps = _WeightedSteps(samples.shape[0], sample_rate)
    steps.push(samples)
    return steps


def _gated(steps: _WeightedSteps) -> GatedBlocks:
    """Pass the 400 ms blocks through both gates (BS.1770-5 eq. 4 to 7)."""
    power = steps.means(MOMENTARY_STEPS)
    kept = power > energy(ABSOLUTE_GATE_LUFS - OFFSET_DB)
    if kept.any():
        kept = kept & (power > power[kept].mean() * energy(RELATIVE_GATE_LU))
    return GatedBlocks(power, kept)


def _lufs(power: FloatArray) -> FloatArray:
    """Turn into loudness a weighted mean square, never below `FLOOR_DB`."""
    levels: FloatArray = np.maximum(OFFSET_DB + energy_db(power), FLOOR_DB)
    return levels
