"""What one passage really gives at a seat: energies and loudness, at a low rate.

Tables know the long-term spectrum of a track and the energy decay of a room. A passage of some
seconds begins in silence, ends before its last tail has, and plays each of its notes once, on some
modes of one seat, some of it below the gates of loudness: its level and its late energy lie some
tenths of a dB off, and not alike in all microphones. So both are measured, in the bands that hold
most of the energy.

*Conventions*: audio at about `HEARD_RATE` samples a second; the lowest of the 39 bands; packed Gram
matrices (`layout.pack_gram`) of mean powers, absolute.

`Heard`: Grams of one seat. `HeardBand`: measures them for one passage.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import oaconvolve, resample_poly

from placer.audio.envelopes import band_filters, spectra
from placer.audio.loudness import k_weighting_response
from placer.placing.gating import block_shares
from placer.placement.layout import pack_gram
from sim.bands import erb_edges
from sim.decibel import FloatArray

HEARD_RATE = 4000
"""Samples a second, at least."""

PASSED = 0.4
"""Highest frequency, in parts of that rate, which resampling leaves as it is."""

Parts = Sequence[tuple[FloatArray, FloatArray]]
"""Early and late response, (channel, tap) each, of every channel of a stem."""


@dataclass(frozen=True, slots=True)
class Heard:
    """Packed Grams of the channels of one seat.

    Attributes
    ----------
    early, late : (P, b) in the lowest b plain bands
    blocks : (P, block) K-weighted, of both together in all those bands, in blocks of 400 ms
    """

    early: FloatArray
    late: FloatArray
    blocks: FloatArray


class HeardBand:
    """Measures one passage through responses.

    Parameters
    ----------
    sample_rate : int
        Hz.

    Attributes
    ----------
    count : how many of the lowest bands are measured
    """

    def __init__(self, sample_rate: int) -> None:
        self._factor = max(1, sample_rate // HEARD_RATE)
        low_rate = round(sample_rate / self._factor)
        self._filters = band_filters(low_rate)
        self.count = int(np.searchsorted(erb_edges()[1:], PASSED * low_rate, side="right"))
        self._plain = self._filters.plain[: self.count]
        self._k_weight = self._plain.sum(0) * k_weighting_response(self._filters.frequencies)

    def lowered(self, samples: FloatArray) -> FloatArray:
        """Audio (channel, frame) at the low rate."""
        low: FloatArray = resample_poly(samples, 1, self._factor, axis=-1)
        return low.astype(np.float32)

    def heard(
        self, low_stem: FloatArray, parts: Parts, delays: Sequence[int], *, blocks: int
    ) -> list[Heard]:
        """Measure a stem in all channels of a seat.

        Parameters
        ----------
        low_stem : (1 or 2, frame) FloatArray
            From `lowered`.
        parts : sequence of (early, late)
            At the full rate, one pair for each channel of the stem.
        delays : sequence of int
            Taps by which the first channel comes later.
        blocks : int
            Of 400 ms that the passage has.

        Returns
        -------
        list of Heard
            One a delay.
        """
        near, far = (self._through(low_stem, [part[which] for part in parts]) for which in (0, 1))
        found = []
        for delay in delays:
            turned = [self._turned(part, delay) for part in (near, far)]
            early, late = (self._bands(part) for part in turned)
            found.append(Heard(early, late, self._blocks(turned[0] + turned[1], blocks)))
        return found

    def _through(self, low_stem: FloatArray, responses: Sequence[FloatArray]) -> FloatArray:
        """The stem in every channel, (channel, frame)."""
        frames = low_stem.shape[-1]
        heard = np.zeros((len(responses[0]), frames), dtype=np.float32)
        for stem, response in zip(low_stem, responses, strict=True):
            # a response is a gain a sample, and there are fewer samples
            low = np.float32(self._factor) * self.lowered(response)
            heard += oaconvolve(stem[None], low, axes=-1)[:, :frames]
        return heard

    def _turned(self, heard: FloatArray, delay: int) -> np.ndarray:
        """Short-time spectra (bin, channel, time), the first channel later."""
        moved = heard
        if delay:
            moved = heard.copy()
            moved[0] = _later(heard[0], delay / self._factor)
        return np.ascontiguousarray(np.moveaxis(spectra(moved, self._filters), 2, 0))

    def _bands(self, spectrum: np.ndarray) -> FloatArray:
        """Mean powers in plain bands, (P, count)."""
        products = spectrum @ spectrum.conj().swapaxes(1, 2) / spectrum.shape[-1]
        packed = pack_gram(np.moveaxis(products, 0, 2))
        return np.asarray(packed @ self._plain.T, dtype=np.float32)

    def _blocks(self, spectrum: np.ndarray, count: int) -> FloatArray:
        """K-weighted mean powers in blocks, (P, block)."""
        by_time = np.moveaxis(spectrum, 2, 0)
        weighted = np.ascontiguousarray(np.swapaxes(by_time, 1, 2)) * self._k_weight.astype("f4")
        products = weighted @ by_time.conj()
        packed = pack_gram(np.moveaxis(products, 0, 2))
        hop = self._filters.hop / self._filters.sample_rate
        shares = block_shares(packed.shape[-1], hop, count)
        return np.asarray(packed @ shares, dtype=np.float32)


def _later(samples: FloatArray, frames: float) -> FloatArray:
    """Samples (frame,) later by a part of a frame, with silence before them."""
    whole = int(np.ceil(frames)) + 1
    padded = np.pad(samples, (0, whole))
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(padded.size) * frames)
    moved: FloatArray = np.fft.irfft(np.fft.rfft(padded) * turn, padded.size)[: samples.size]
    return moved
