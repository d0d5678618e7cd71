"""How a reflection gets its colour: one causal filter from a gain in each octave, for thousands.

A wall, the air or the back of an instrument turns a click into a short causal pulse. Its spectrum
is taken as minimum phase, with the gain in dB drawn straight between octave centres over log
frequency, and the loss in air by its own law at every frequency. Each such filter is written as a
sum of a few fixed first-order low-passes with real weights, so that thousands of reflections can
be laid into one array a low-pass and filtered all at once. Being causal, nothing rings before a
reflection arrives.

*Conventions*: amplitude gains in `sim.images.REFLECTION_OCTAVES`; frequencies in Hz.

`Bank`: weights from gains, and the filtering itself. `bank` builds one.
`block`: the second-order high-pass that takes away the pressure at 0 Hz which the all-positive
images pile up; `blocking_energy`: what it passes.

Sources
-------
Oppenheim & Schafer (2010), Discrete-Time Signal Processing, ch. 13: minimum phase from the
cepstrum. Bilinear transform of 1 / (1 + s / w): same, ch. 7.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.air import attenuation
from sim.images import REFLECTION_OCTAVES

FloatArray = NDArray[np.floating[Any]]
ComplexArray = NDArray[np.complexfloating[Any, Any]]

CORNERS: FloatArray = 62.5 * np.power(2.0, np.arange(9.0))
"""Corner frequencies of the low-passes, Hz: an octave apart, 62.5 Hz to 16 kHz."""

CEPSTRUM_LENGTH = 1 << 15
"""FFT length of the minimum-phase basis."""

TOGETHER = 512
"""Filters fitted at a time: they stay in the cache and on one processor."""

POINTS_PER_OCTAVE = 3
"""Frequencies an octave at which a filter is fitted."""

RIDGE = 1e-6
"""Regularisation of the fit: keeps weights small at no audible error."""

HIGHEST = 0.42
"""Share of the sample rate up to which the filters are fitted."""

BLOCKING_CORNER = 10.0
"""Corner of the high-pass, Hz: -0.1 dB at 25 Hz."""

SMALLEST_GAIN = 1e-4
"""Amplitude gains are not followed below this (-80 dB)."""


@dataclass(frozen=True, slots=True)
class Bank:
    """Fixed low-passes and how gains become weights of them at one sample rate.

    Attributes
    ----------
    sample_rate : Hz
    corners : (pole,) Hz, of the low-passes; the first member of the bank passes everything
    frequencies : (point,) Hz at which a filter is fitted
    level, phase : (octave + 1, point) minimum-phase basis: what the logarithm of each octave's
        gain, and last 1 m of air, adds to the filter's logarithm (real, imaginary)
    solve : (2 point, 1 + pole) least-squares solution
    """

    sample_rate: float
    corners: FloatArray
    frequencies: FloatArray
    level: FloatArray
    phase: FloatArray
    solve: FloatArray

    def weights(self, gains: FloatArray, distance: FloatArray) -> FloatArray:
        """Weights of the bank's members for filters with given octave gains and way through air.

        Parameters
        ----------
        gains : (..., octave) FloatArray
            Amplitude gain of each filter, positive, without the air.
        distance : (...,) FloatArray
            m of air.

        Returns
        -------
        (..., 1 + pole) FloatArray
            Real; equal gains and no air give (gain, 0, ..., 0) to -100 dB.
        """
        flat = np.maximum(gains, SMALLEST_GAIN).reshape(-1, gains.shape[-1])
        way = np.reshape(distance, -1)
        fitted = np.empty((len(flat), self.solve.shape[1]))
        for first in range(0, len(flat), TOGETHER):
            part = slice(first, first + TOGETHER)
            fitted[part] = self._fitted(flat[part], way[part])
        return fitted.reshape(*gains.shape[:-1], -1)

    def _fitted(self, gains: FloatArray, distance: FloatArray) -> FloatArray:
        """Weights of a few filters; (filter, 1 + pole)."""
        top = gains.max(axis=-1, keepdims=True)
        logarithm = np.concatenate([np.log(gains / top), distance[:, None]], axis=1)
        magnitude = np.exp(logarithm @ self.level)
        phase = logarithm @ self.phase
        points = len(self.frequencies)
        fitted: FloatArray = (magnitude * np.cos(phase)) @ self.solve[:points]
        fitted += (magnitude * np.sin(phase)) @ self.solve[points:]
        fitted *= top
        return fitted

    def applied(self, laid: FloatArray) -> FloatArray:
        """Sum of every member's output.

        Parameters
        ----------
        laid : (mic, tap, 1 + pole) FloatArray
            What each member is fed.

        Returns
        -------
        (mic, tap) FloatArray
        """
        from scipy.signal import lfilter  # lazily: importing it takes half a second

        total: FloatArray = laid[:, :, 0].copy()
        for member, corner in enumerate(self.corners, start=1):
            p = float(np.tan(np.pi * corner / self.sample_rate))
            forward, back = p / (1.0 + p), (p - 1.0) / (1.0 + p)
            total += lfilter([forward, forward], [1.0, back], laid[:, :, member], axis=1)
        return total


def _spectra(corners: FloatArray, frequencies: FloatArray, sample_rate: float) -> ComplexArray:
    """Bilinear first-order low-passes 1 / (1 + s), and 1 for the member that passes all."""
    # at the Nyquist frequency the bilinear variable is infinite: stop just below
    clipped = np.minimum(frequencies, 0.499999 * sample_rate)
    warped = 1j * np.tan(np.pi * clipped / sample_rate)
    poles = np.tan(np.pi * corners / sample_rate)
    low = 1.0 / (1.0 + warped[None, :] / poles[:, None])
    return np.concatenate([np.ones((1, len(frequencies)), dtype=np.complex128), low])


@lru_cache(maxsize=8)
def bank(sample_rate: float, temperature: float, humidity: float) -> Bank:
    """Build the bank of one sample rate (Hz) and one air (degrees Celsius, per cent)."""
    grid = np.arange(CEPSTRUM_LENGTH // 2 + 1) * sample_rate / CEPSTRUM_LENGTH
    steps = np.log2(np.maximum(grid, 1.0) / REFLECTION_OCTAVES[0])
    steps = np.clip(steps, 0.0, len(REFLECTION_OCTAVES) - 1.0)
    hats = np.maximum(0.0, 1.0 - np.abs(steps - np.arange(len(REFLECTION_OCTAVES))[:, None]))
    metre = -0.5 * attenuation(grid, temperature, humidity)
    top = HIGHEST * sample_rate
    points = np.geomspace(40.0, top, int(POINTS_PER_OCTAVE * np.log2(top / 40.0)))
    logarithm = _minimum_phase(np.concatenate([hats, metre[None]]))
    level = np.stack([np.interp(points, grid, row.real) for row in logarithm])
    phase = np.stack([np.interp(points, grid, row.imag) for row in logarithm])
    corners = CORNERS[top > CORNERS]
    members = _spectra(corners, points, sample_rate)
    stacked = np.concatenate([members.real, members.imag], axis=1)
    normal = stacked @ stacked.T + RIDGE * np.eye(len(stacked))
    solve = stacked.T @ np.linalg.inv(normal)
    for array in (corners, points, level, phase, solve):
        array.setflags(write=False)
    return Bank(sample_rate, corners, points, level, phase, solve)


def _minimum_phase(logarithm: FloatArray) -> ComplexArray:
    """Complete real log-spectra (row, bin) with the phase that makes them causal."""
    half = CEPSTRUM_LENGTH // 2
    fold = np.zeros(CEPSTRUM_LENGTH)  # keeps the causal half of the cepstrum, doubled
    fold[0] = fold[half] = 1.0
    fold[1:half] = 2.0
    cepstrum = np.fft.irfft(logarithm, CEPSTRUM_LENGTH, axis=1)
    completed: ComplexArray = np.fft.rfft(cepstrum * fold, axis=1)
    return completed


def blocking_energy(frequencies: FloatArray) -> FloatArray:
    """Energy passed by the high-pass: x^4 / (1 + x^4) with x = f / corner; shape (frequency,)."""
    fourth = np.power(frequencies / BLOCKING_CORNER, 4.0)
    passed: FloatArray = fourth / (1.0 + fourth)
    return passed


def block(responses: FloatArray, sample_rate: float) -> FloatArray:
    """Take away the pressure at 0 Hz by a causal second-order Butterworth high-pass.

    Parameters
    ----------
    responses : (..., tap) FloatArray
        Impulse responses.
    sample_rate : float
        Hz.

    Returns
    -------
    (..., tap) FloatArray
        Filtered responses.
    """
    from scipy.signal import sosfilt  # lazily: importing it takes half a second

    k = np.tan(np.pi * BLOCKING_CORNER / sample_rate)
    scale = 1.0 + np.sqrt(2.0) * k + k * k
    feedback = [1.0, 2.0 * (k * k - 1.0) / scale, (1.0 - np.sqrt(2.0) * k + k * k) / scale]
    section = np.array([[1.0 / scale, -2.0 / scale, 1.0 / scale, *feedback]])
    filtered: FloatArray = sosfilt(section, responses, axis=-1)
    return filtered
