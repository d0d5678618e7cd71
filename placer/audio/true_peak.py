"""How high the waveform rises between its samples.

*Conventions*: audio (channel, frame), linear full scale 1; levels in dB true peak (dBTP).

The signal is interpolated to at least 192 kHz. A stretch whose largest sample, times the largest
gain that the interpolator can have, stays below the highest peak so far cannot hold a higher one
and is passed over: the result is exact, and most music needs only a few stretches.

Sources
-------
ITU-R BS.1770-5, Annex 2 (four-fold oversampling at 48 kHz; attachment 1 bounds the under-read).
"""

from __future__ import annotations

import functools
import math
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from sim.bands import FloatArray
from sim.decibel import amplitude_db

OVERSAMPLED_RATE = 192000
HALF_TAPS = 12
"""Neighbours on each side that the interpolator looks at."""
KAISER_BETA = 5.0
STRETCH = 1024
"""Frames that are judged at once."""


def true_peak_db(samples: NDArray[Any], sample_rate: int) -> float:
    """Find the highest true peak of all channels in dBTP.

    Parameters
    ----------
    samples : (channel, frame)
        Sound; taken to be silent before and after.
    sample_rate : int
        Hz.

    Returns
    -------
    float
        dB re full scale; `sim.decibel.FLOOR_DB` for silence.
    """
    padded = np.pad(samples, ((0, 0), (HALF_TAPS, HALF_TAPS)))
    return float(amplitude_db(true_peak(padded, sample_rate)))


def true_peak(padded: NDArray[Any], sample_rate: int, floor: float = 0.0) -> float:
    """Find the linear true peak of sound with `HALF_TAPS` frames of context on both sides.

    Parameters
    ----------
    padded : (channel, frame + 2 * HALF_TAPS)
        Sound with its context.
    sample_rate : int
        Hz.
    floor : float
        Highest peak known so far; only higher ones matter.

    Returns
    -------
    float
        At least `floor`.
    """
    taps = interpolator(math.ceil(OVERSAMPLED_RATE / sample_rate))
    best = max(floor, float(np.max(np.abs(padded), initial=0.0)))
    reach = float(np.abs(taps).sum(axis=1).max(initial=0.0))
    for channel in padded:
        peaks = _stretch_peaks(channel)
        for index in np.argsort(-peaks, kind="stable"):
            if peaks[index] * reach <= best:
                break
            start = index * STRETCH
            part = channel[start : start + STRETCH + 2 * HALF_TAPS].astype(float)
            between = sliding_window_view(part, 2 * HALF_TAPS) @ taps.T
            best = max(best, float(np.abs(between).max()))
    return best


class PeakMeter:
    """Highest true peak of sound that arrives block by block; equal to that of the whole."""

    def __init__(self, channels: int, sample_rate: int) -> None:
        self._rate = sample_rate
        self._tail = np.zeros((channels, 2 * HALF_TAPS))
        self._peak = 0.0

    def push(self, block: NDArray[Any]) -> None:
        """Take in the next (channel, frame) of sound."""
        context = np.concatenate([self._tail, block], axis=1)
        self._peak = true_peak(context, self._rate, self._peak)
        self._tail = context[:, -2 * HALF_TAPS :]

    @property
    def level_db(self) -> float:
        """Highest true peak so far, dBTP, as if silence followed."""
        ending = np.pad(self._tail, ((0, 0), (0, HALF_TAPS)))
        return float(amplitude_db(true_peak(ending, self._rate, self._peak)))


@functools.cache
def interpolator(factor: int) -> FloatArray:
    """Compute taps for the points between two samples, (factor - 1, 2 * HALF_TAPS)."""
    fractions = np.arange(1, factor)[:, None] / factor
    distance = np.arange(1 - HALF_TAPS, HALF_TAPS + 1)[None, :] - fractions
    window = np.i0(KAISER_BETA * np.sqrt(1 - (distance / HALF_TAPS) ** 2)) / np.i0(KAISER_BETA)
    taps: FloatArray = np.sinc(distance) * window
    taps.setflags(write=False)
    return taps


def _stretch_peaks(channel: NDArray[Any]) -> FloatArray:
    """Largest sample that the interpolated points of each stretch can depend on."""
    count = max(1, math.ceil((channel.size - 2 * HALF_TAPS + 1) / STRETCH))
    size = np.zeros((count + 1) * STRETCH)
    size[: channel.size] = np.abs(channel)
    rows = size.reshape(count + 1, STRETCH)
    following = rows[1:, : 2 * HALF_TAPS].max(axis=1)
    peaks: FloatArray = np.maximum(rows[:-1].max(axis=1), following)
    return peaks
