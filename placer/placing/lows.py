"""How one track's lows meet those of the other tracks: in step, or against it.

Energies of tracks do not simply add. In a third-octave band of a few hertz two layers on one note
add anything from nothing to twice their energies, by phase, and a new seat turns the phase. What a
track's placement does there to the energy of the whole is, to first order, twice the real part of
its product with the rest of the mix.

*Conventions*: low spectra (channel, bin) are those of the whole passage after convolution, kept at
about 1000 samples a second and up to the highest low third; third-octave weights are as wide as
`audio.envelopes.low_thirds` sees them, so that both measure the same.

`LowBand`: the low spectra of one passage. `meeting`: what options add to the thirds of a mix.

Sources
-------
|a + b|^2 = |a|^2 + |b|^2 + 2 Re(a conj b); spectrum of the Hann window: closed forms.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import fft
from scipy.signal import oaconvolve, resample_poly

from placer.audio.envelopes import THIRDS_SECONDS
from placer.placement.layout import Layout, stereo_matrix
from placer.placing.options import Options
from sim.bands import LOW_THIRDS, power_weights, third_edges
from sim.decibel import FloatArray, amplitude

LOW_RATE = 1000
"""Samples a second, at least, of what is kept of the lows."""

Spectra = np.ndarray
"""(channel, bin) complex64."""


def _as_seen(frequencies: FloatArray) -> FloatArray:
    """What the low thirds take of a tone at each frequency through windows of `THIRDS_SECONDS`."""
    spacing = 1.0 / THIRDS_SECONDS
    bins = np.arange(int(2.0 * third_edges(LOW_THIRDS)[-1] / spacing)) * spacing
    away = (frequencies[:, None] - bins) / spacing
    pole = np.isclose(np.abs(away), 1.0)
    below = np.where(pole, 1.0, 1.0 - away**2)
    window = np.where(pole, 0.5, np.sinc(away) / below)
    weights: FloatArray = power_weights(third_edges(LOW_THIRDS), bins) @ np.square(window).T / 1.5
    return weights


class LowBand:
    """The low spectra of one passage.

    Parameters
    ----------
    sample_rate : int
        Hz.
    frames : int
        Length of the passage.

    Attributes
    ----------
    frequencies : (bin,) Hz
    weights : (11, bin) turn products of spectra into mean powers of the low thirds
    """

    def __init__(self, sample_rate: int, frames: int) -> None:
        self.sample_rate = sample_rate
        self._factor = max(1, sample_rate // LOW_RATE)
        self._frames = -(-frames // self._factor)
        self._size = fft.next_fast_len(self._frames, real=True)
        frequencies = np.fft.rfftfreq(self._size, self._factor / sample_rate)
        reach = third_edges(LOW_THIRDS)[-1] + 2.0 / THIRDS_SECONDS
        self.frequencies: FloatArray = frequencies[frequencies <= reach]
        scale = 2.0 / (self._frames * self._size)
        self.weights: FloatArray = (scale * _as_seen(self.frequencies)).astype(np.float32)

    def _lowered(self, samples: FloatArray) -> FloatArray:
        lowered: FloatArray = resample_poly(samples, 1, self._factor, axis=-1)
        return lowered

    def of(self, samples: FloatArray) -> Spectra:
        """Low spectra of audio (channel, frame) as long as the passage."""
        return self._spectra(self._lowered(samples))

    def _spectra(self, low: FloatArray) -> Spectra:
        spectrum = fft.rfft(low[:, : self._frames], self._size, axis=-1)
        return np.asarray(spectrum[:, : self.frequencies.size], dtype=np.complex64)

    def through(self, samples: FloatArray, responses: Sequence[FloatArray]) -> Spectra:
        """Low spectra of a stem heard through responses.

        Parameters
        ----------
        samples : (1 or 2, frame) FloatArray
        responses : one (channel, tap) array for each channel of the stem

        Returns
        -------
        (channel, bin) complex64 ndarray
        """
        # a response is a gain a sample, and there are fewer samples
        gain = float(self._factor)
        heard = np.zeros((len(responses[0]), self._frames))
        for stem, response in zip(self._lowered(samples), responses, strict=True):
            low = gain * self._lowered(response)
            heard += oaconvolve(stem[None], low, axes=-1)[:, : self._frames]
        return self._spectra(heard)

    def covariance(self, pair: Spectra) -> FloatArray:
        """LL, RR, Re(L conj R) of a pair (2, bin) in the low thirds, (4, 11); Im is 0."""
        left, right = pair
        powers = [(a * b.conj()).real for a, b in ((left, left), (right, right), (left, right))]
        thirds: FloatArray = np.stack([*powers, np.zeros_like(powers[0])]) @ self.weights.T
        return thirds

    def gram(self, spectra: Spectra) -> FloatArray:
        """Packed Gram matrices (channel * channel, 11) of channels in the low thirds."""
        first, second = np.triu_indices(len(spectra))
        products = spectra[first] * spectra[second].conj()
        both = np.concatenate([products.real, products[first != second].imag])
        packed: FloatArray = both @ self.weights.T
        return packed

    def delayed(self, spectra: Spectra, layout: Layout, seconds: float) -> Spectra:
        """The same with the close position later, by whole samples as it is rendered."""
        lag = round(seconds * self.sample_rate) / self.sample_rate
        if lag == 0.0:
            return spectra
        moved = spectra.copy()
        turn = np.exp(-2j * np.pi * self.frequencies * lag)
        moved[: layout.channels[0]] *= turn.astype(np.complex64)
        return moved


def placed(options: Options, layout: Layout, some: np.ndarray) -> FloatArray:
    """Matrices (n, 2, channel) of some options (n,), at the level to which each is set back."""
    matrices = np.stack([stereo_matrix(layout, options.placements[i]) for i in some])
    levels: FloatArray = amplitude(options.make_up_db[some])
    raised: FloatArray = levels[:, None, None] * matrices
    return raised


def meeting(matrices: FloatArray, channels: Spectra, rest: Spectra, band: LowBand) -> FloatArray:
    """What options of one track add to the low thirds of a mix beside their own energy.

    Parameters
    ----------
    matrices : (n, 2, channel) FloatArray
        Of the options, from `placed`.
    channels : (channel, bin) complex ndarray
        Low spectra of the track's channels, delayed as those options have them.
    rest : (2, bin) complex ndarray
        Low spectra of all other tracks together.
    band : LowBand

    Returns
    -------
    (n, 4, 11) FloatArray
        Changes of LL, RR, Re(L conj R); Im is not worked out and 0.
    """
    products = (channels[:, None] * rest.conj()).real @ band.weights.T
    sides = np.einsum("nac,csk->nask", matrices, products)
    cross = sides[:, 0, 1] + sides[:, 1, 0]
    return np.stack([2.0 * sides[:, 0, 0], 2.0 * sides[:, 1, 1], cross, 0.0 * cross], axis=1)
