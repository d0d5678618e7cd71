"""How much energy a signal has in each band and frame.

*Conventions*: audio (channel, frame) at one sample rate; spectra (channel, time frame, bin), the
order in which they are made (only here is time not last); bands B = 39 (`sim.bands.ERB_CENTRES`).
Powers are mean squares: the band powers of a steady tone sum to its mean square. Nothing above
`TOP_FREQUENCY` is looked at. A pair's covariance is LL, RR, Re(L conj R), Im(L conj R).

`spectra`: windowed short-time spectra. `excitation`: rounded-exponential band energies, one a
frame. `quick_energies`: the same in frames of 10 ms. `covariances`: the same for a stereo pair with
its cross terms. `plain_covariance`: long-term powers in bands that do not overlap. `low_thirds`:
likewise in the low thirds (`low_spectra`). `smear`: what a room's late decay does to an envelope.

Sources
-------
Hann window, 50 % overlap: its power sums to 3/8 of a rectangle's (closed form).
Excitation filters: see `sim.bands`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft
from scipy.signal import lfilter

from placer.precision import product
from sim.bands import (
    ERB_CENTRES,
    LOW_THIRDS,
    erb_edges,
    excitation_weights,
    power_weights,
    third_edges,
)
from sim.decibel import FloatArray

WINDOW_SECONDS = 4096 / 48000
"""Length of an analysis window, s: 85 ms resolves the lowest bands and a fast figure."""

THIRDS_SECONDS = 0.68
"""Length of the windows that tell low third-octave bands apart, s (1.5 Hz a bin)."""

TOP_FREQUENCY = 17800.0
"""Highest frequency analysed, Hz: the upper edge of the third around 16 kHz."""

EARLY_SECONDS = 0.08
"""Border of early and late sound after the direct sound, s (ISO 3382-1, C80)."""


@dataclass(frozen=True, slots=True)
class BandFilters:
    """Weights that turn power spectra into band powers at one sample rate.

    Attributes
    ----------
    window : frames in a window; hop : frames from one window to the next
    excitation : (39, bin) rounded-exponential weights
    plain : (39, bin) weights of bands that do not overlap
    frequencies : (bin,) Hz
    """

    sample_rate: int
    window: int
    hop: int
    excitation: FloatArray
    plain: FloatArray
    frequencies: FloatArray


def band_filters(sample_rate: int) -> BandFilters:
    """Filters for windows of `WINDOW_SECONDS` at `sample_rate` Hz with 50 % overlap."""
    window = 2 * round(WINDOW_SECONDS * sample_rate / 2)
    frequencies = np.fft.rfftfreq(window, 1.0 / sample_rate)
    frequencies = frequencies[frequencies <= TOP_FREQUENCY]
    return BandFilters(
        sample_rate=sample_rate,
        window=window,
        hop=window // 2,
        excitation=excitation_weights(ERB_CENTRES, frequencies).astype(np.float32),
        plain=power_weights(erb_edges(), frequencies).astype(np.float32),
        frequencies=frequencies,
    )


def spectra(samples: FloatArray, filters: BandFilters) -> np.ndarray:
    """Short-time spectra, scaled so that the powers of all bins sum to the mean square.

    Parameters
    ----------
    samples : (channel, frame) FloatArray
    filters : BandFilters

    Returns
    -------
    (channel, time, bin) complex64 ndarray
        One time frame every `filters.hop` frames; the end is padded with silence.
    """
    window, hop = filters.window, filters.hop
    count = max(1, -(-samples.shape[-1] // hop))
    padded = np.zeros((samples.shape[0], (count + 1) * hop), dtype=np.float32)
    padded[:, : samples.shape[-1]] = samples
    frames = np.lib.stride_tricks.sliding_window_view(padded, window, axis=-1)[:, ::hop]
    taper = np.hanning(window + 1)[:-1].astype(np.float32)
    spectrum = fft.rfft(frames * taper, axis=-1)[..., : filters.frequencies.size]
    # One-sided: every bin but the first stands for two; the Hann window keeps 3/8.
    spectrum *= np.float32(np.sqrt(2.0 / (0.375 * window * window)))
    spectrum[..., 0] *= np.float32(np.sqrt(0.5))
    return np.asarray(spectrum)


def quick_energies(samples: FloatArray, sample_rate: int, step: float) -> FloatArray:
    """Excitation energy (39, f) in short frames, quick enough to show where a stroke begins.

    Parameters
    ----------
    samples : (channel, frame) FloatArray
    sample_rate : int
        Hz.
    step : float
        From one frame to the next, s; a frame is twice as long.

    Returns
    -------
    (39, f) float32 FloatArray
        Summed over channels. Frame i lies around (i + 1) steps.
    """
    hop = round(step * sample_rate)
    frequencies = np.fft.rfftfreq(2 * hop, 1.0 / sample_rate)
    frequencies = frequencies[frequencies <= TOP_FREQUENCY]
    weights = excitation_weights(ERB_CENTRES, frequencies).astype(np.float32)
    count = max(1, -(-samples.shape[-1] // hop))
    taper = np.hanning(2 * hop + 1)[:-1].astype(np.float32)
    power = np.zeros((count, frequencies.size), dtype=np.float32)
    for channel in samples:
        padded = np.zeros((count + 1) * hop, dtype=np.float32)
        padded[: channel.size] = channel
        frames = np.lib.stride_tricks.sliding_window_view(padded, 2 * hop)[::hop]
        spectrum = fft.rfft(frames * taper, axis=-1)[:, : frequencies.size]
        power += np.square(spectrum.real) + np.square(spectrum.imag)
    return product(weights, power.T)


def excitation(spectrum: np.ndarray, filters: BandFilters) -> FloatArray:
    """Excitation energy summed over channels: (channel, time, bin) to (39, time)."""
    power = np.sum(np.square(spectrum.real) + np.square(spectrum.imag), axis=0)
    return product(filters.excitation, power.T)


def covariances(spectrum: np.ndarray, filters: BandFilters) -> FloatArray:
    """Excitation covariances of a stereo pair: (2, time, bin) to (4, 39, time)."""
    return np.stack([filters.excitation @ part.T for part in pair_powers(spectrum)])


def plain_covariance(spectrum: np.ndarray, weights: FloatArray) -> FloatArray:
    """Long-term covariance of a stereo pair in bands: (2, time, bin) to (4, band)."""
    return np.stack([weights @ part.mean(axis=0) for part in pair_powers(spectrum)])


def pair_powers(spectrum: np.ndarray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """LL, RR, Re(L conj R), Im(L conj R) of a pair's spectra, each (time, bin)."""
    left, right = spectrum[0], spectrum[1]
    cross = left * np.conj(right)
    return (
        np.square(left.real) + np.square(left.imag),
        np.square(right.real) + np.square(right.imag),
        cross.real,
        cross.imag,
    )


def low_spectra(samples: FloatArray, sample_rate: int) -> tuple[np.ndarray, FloatArray]:
    """Short-time spectra fine enough for the low third-octave bands, up to the highest of them.

    Bands of 6 Hz need longer windows than the ear does: `THIRDS_SECONDS`.

    Parameters
    ----------
    samples : (channel, frame) FloatArray
    sample_rate : int
        Hz.

    Returns
    -------
    spectra : (channel, time, bin) complex ndarray
        Scaled as by `spectra`.
    weights : (11, bin) FloatArray
        Weights of the bands 25 to 250 Hz.
    """
    size = 2 * round(THIRDS_SECONDS * sample_rate / 2)
    padded = np.pad(samples, ((0, 0), (0, max(0, size - samples.shape[-1]))))
    frames = np.lib.stride_tricks.sliding_window_view(padded, size, axis=-1)[:, :: size // 2]
    taper = np.hanning(size + 1)[:-1].astype(np.float32)
    frequencies = np.fft.rfftfreq(size, 1.0 / sample_rate)
    weights = power_weights(third_edges(LOW_THIRDS), frequencies)
    bins = int(np.flatnonzero(weights.sum(axis=0))[-1]) + 1
    spectrum = fft.rfft(frames * taper, axis=-1)[..., :bins]
    return spectrum * np.float32(np.sqrt(2.0 / 0.375) / size), weights[:, :bins]


def low_thirds(samples: FloatArray, sample_rate: int) -> FloatArray:
    """Long-term covariance of a stereo pair in the low third-octave bands: (4, 11).

    Parameters
    ----------
    samples : (2, frame) FloatArray
    sample_rate : int
        Hz.

    Returns
    -------
    (4, 11) FloatArray
        LL, RR, Re(L conj R), Im(L conj R) in the bands 25 to 250 Hz.
    """
    spectrum, weights = low_spectra(samples, sample_rate)
    return plain_covariance(spectrum, weights)


def smear(envelope: FloatArray, decay_time: FloatArray, frame_seconds: float) -> FloatArray:
    """What a late, exponentially decaying field makes of an energy envelope.

    Parameters
    ----------
    envelope : (band, time) FloatArray
        Energy of the source.
    decay_time : (band,) FloatArray
        Time to fall by 60 dB in each band, s.
    frame_seconds : float
        Time from one frame to the next, s.

    Returns
    -------
    (band, time) FloatArray
        Delayed by `EARLY_SECONDS` and smoothed; a steady envelope keeps its energy.
    """
    delay = max(1, round(EARLY_SECONDS / frame_seconds))
    late = np.zeros_like(envelope)
    for band, seconds in enumerate(decay_time):
        keep = 10.0 ** (-6.0 * frame_seconds / float(seconds))
        late[band, delay:] = lfilter([1.0 - keep], [1.0, -keep], envelope[band, :-delay])
    return late
