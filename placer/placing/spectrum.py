"""A stem's long-term spectrum, and what responses measure at the frequencies that it plays.

*Conventions*: a stem has one or two channels; each is a source of its own, with its own responses.
Spectra (channel, bin) up to `TOP_FREQUENCY`; powers of all channels together are 1 in a bin where
the stem has any, so that a Gram is a gain and the stem's `weighted_rows` weigh it.

`StemSpectrum`: the stem's own densities and coherence at one transform size.

Sources
-------
Welch (1967), IEEE Trans. Audio Electroacoust. 15, 70-73: averaged periodograms.
"""

from __future__ import annotations

import numpy as np
from scipy import fft
from scipy.signal import csd, welch

from placer.audio.envelopes import TOP_FREQUENCY
from placer.placing.table import WeightedRows, weighted_rows
from sim.decibel import FloatArray

EMPTY = 1e-12
"""Share of the strongest bin's power below which a bin counts as empty."""


def transform_size(taps: float) -> int:
    """Smallest power of two that holds so many taps."""
    return 1 << (int(taps) - 1).bit_length()


class StemSpectrum:
    """What a stem plays, at the resolution of one transform.

    Parameters
    ----------
    samples : (1 or 2, frame) FloatArray
        The analysed passage of the stem.
    sample_rate : int
        Hz.
    size : int
        Length of the transform in samples.
    k_power : float
        K-weighted power that the stem's own response 1 stands for.

    Attributes
    ----------
    frequencies : (bin,) Hz
    rows : the stem's spectrum seen through all filters of the table
    scale : turns a sum over `rows.loudness` into K-weighted power
    shares : (channel,) share of each channel in the stem's power
    density : each channel's share in each bin, (bin,) float32
    """

    def __init__(self, samples: FloatArray, sample_rate: int, *, size: int, k_power: float) -> None:
        self.size = size
        padded = np.pad(samples, ((0, 0), (0, max(0, size - samples.shape[-1]))))
        options = {"fs": sample_rate, "nperseg": size, "scaling": "spectrum", "detrend": False}
        frequencies, powers = welch(padded, **options)
        kept = frequencies <= TOP_FREQUENCY
        self.frequencies, powers = frequencies[kept], powers[:, kept]
        if not powers.any():  # a stem that rests throughout counts as white, at no power
            powers = np.ones_like(powers)
        total = powers.sum(axis=0)
        self.shares: FloatArray = powers.sum(axis=-1) / np.sum(total)
        self.rows: WeightedRows = weighted_rows(total, self.frequencies)
        self.scale = k_power / float(np.sum(self.rows.loudness))
        floored = total + EMPTY * np.max(total)
        self.density = [(power / floored).astype(np.float32) for power in powers]
        self.coherence: np.ndarray | None = None
        if len(powers) == 2:
            cross = csd(padded[1], padded[0], **options)[1][kept]
            self.coherence = (cross / floored).astype(np.complex64)

    def of(self, responses: FloatArray) -> np.ndarray:
        """Spectra of responses at the stem's bins: (..., tap) to (..., bin) complex64."""
        spectrum = fft.rfft(responses.astype(np.float32), self.size, axis=-1)
        return np.asarray(spectrum[..., : self.frequencies.size])

    def turned(self, spectrum: np.ndarray, delay: float) -> np.ndarray:
        """Spectra (channel, bin) whose first channel comes `delay` s later."""
        if delay == 0.0:
            return spectrum
        turned = spectrum.copy()
        turned[0] *= np.exp(-2j * np.pi * self.frequencies * delay).astype(np.complex64)
        return turned
