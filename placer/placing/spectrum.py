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

from collections.abc import Sequence

import numpy as np
from scipy import fft
from scipy.signal import csd, welch

from placer.audio.envelopes import TOP_FREQUENCY
from placer.placing.table import WeightedRows, weighted_rows
from sim.decibel import FloatArray

EMPTY = 1e-12
"""Share of the strongest bin's power below which a bin counts as empty."""

TOGETHER = 4096
"""Bins that are weighed at a time, so that their products stay in the cache."""


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

    def grams(
        self, spectra: Sequence[np.ndarray], rows: FloatArray, delays: Sequence[float]
    ) -> list[FloatArray]:
        """Packed Gram matrices of channels, each row's weights summed over the bins.

        Parameters
        ----------
        spectra : sequence of (channel, bin) complex64
            One a source.
        rows : (row, bin) float32
        delays : sequence of float
            s by which the first channel comes later.

        Returns
        -------
        list of (P, row) FloatArray
            One a delay.
        """
        count = len(spectra[0])
        pairs = count * (count + 1) // 2
        found = [np.zeros((count * count, len(rows)), dtype=np.float32) for _ in delays]
        for start in range(0, self.frequencies.size, TOGETHER):
            part = slice(start, start + TOGETHER)
            products, weights = self._products(spectra, part), rows[:, part].T
            plain = np.concatenate([products.real, _strict(products, count).imag]) @ weights
            for delay, gram in zip(delays, found, strict=True):
                gram += plain
                if delay == 0.0:
                    continue
                # only pairs of the first channel with another change
                turn = np.exp(-2j * np.pi * self.frequencies[part] * delay)
                turned = products[1:count] * turn.astype(np.complex64)
                changed = np.concatenate([turned.real, turned.imag]) @ weights
                for place, new in ((1, changed[: count - 1]), (pairs, changed[count - 1 :])):
                    some = slice(place, place + count - 1)
                    gram[some] += new - plain[some]
        return list[FloatArray](found)

    def _products(self, spectra: Sequence[np.ndarray], part: slice) -> np.ndarray:
        """Upper triangle of the channels' products at some bins, (pair, bin) complex64."""
        first, second = np.triu_indices(len(spectra[0]))
        cut = [spectrum[:, part] for spectrum in spectra]
        products = np.zeros((first.size, cut[0].shape[1]), dtype=np.complex64)
        for spectrum, density in zip(cut, self.density, strict=True):
            products += spectrum[first] * np.conj(spectrum * density[part])[second]
        if self.coherence is not None:
            (one, other), coherence = cut, self.coherence[part]
            products += one[first] * np.conj(other * np.conj(coherence))[second]
            products += other[first] * np.conj(one * coherence)[second]
        return products


def _strict(products: np.ndarray, count: int) -> np.ndarray:
    """Rows of an upper triangle that lie off the diagonal."""
    first, second = np.triu_indices(count)
    return np.asarray(products[first != second])
