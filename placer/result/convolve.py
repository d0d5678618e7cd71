"""How a stem of any length is convolved piece by piece, for several mixes at once.

*Conventions*: (channel, frame) float32; output frame 0 is input frame 0 (causal responses).

`Convolver`: push blocks in, get as many frames out; overlap-save with one large transform, which
all mixes share, or shifted sums where responses have a few taps only.

Sources
-------
Overlap-save: Oppenheim and Schafer, Discrete-Time Signal Processing (from memory), chapter 8.
"""

from __future__ import annotations

import numpy as np
from scipy import fft

from sim.decibel import FloatArray

SHORTEST_TRANSFORM = 1 << 16

AT_ONCE = 4
"""Transforms of one kind that are made together at least: the library then uses vector units."""

FEW_TAPS = 4
"""Up to so many taps that are not zero, adding shifted copies is quicker than a transform."""


class Convolver:
    """Convolves one stem with its placements while it streams by.

    Parameters
    ----------
    responses : (mix, input channel, 2, tap) FloatArray
        Stereo response of each input channel in each mix.
    """

    def __init__(self, responses: FloatArray) -> None:
        taps = responses.shape[-1]
        self.size = max(SHORTEST_TRANSFORM, 1 << (2 * taps - 1).bit_length())
        self.overlap = taps - 1
        self._advance = self.size - self.overlap
        self.step = self._advance * max(1, AT_ONCE // len(responses))
        used = np.flatnonzero(responses.any(axis=(0, 1, 2)))
        self._taps = used if used.size <= FEW_TAPS else None
        by_channel = np.moveaxis(responses, 1, 0).astype(np.float32)  # (channel, mix, 2, tap)
        if self._taps is None:
            self._responses = fft.rfft(by_channel, self.size, axis=-1)
        else:
            self._responses = by_channel[..., self._taps]
        self._history = np.zeros((responses.shape[1], self.overlap), dtype=np.float32)

    def push(self, block: FloatArray) -> FloatArray:
        """Convolve the next block.

        Parameters
        ----------
        block : (input channel, frame) float32
            At most `step` frames.

        Returns
        -------
        (mix, 2, frame) float32
        """
        frames = block.shape[-1]
        if frames > self.step:
            raise ValueError(f"block of {frames} frames; at most {self.step} fit the transform")
        joined = np.concatenate([self._history, block.astype(np.float32, copy=False)], axis=-1)
        self._history = joined[:, joined.shape[-1] - self.overlap :].copy()
        if self._taps is not None:
            return self._shifted(joined, frames)
        return self._transformed(joined, frames)

    def _transformed(self, joined: FloatArray, frames: int) -> FloatArray:
        """Overlap-save: all transforms that the frames take, side by side."""
        count = max(1, -(-frames // self._advance))
        wanted = self.overlap + count * self._advance
        padded = np.pad(joined, ((0, 0), (0, wanted - joined.shape[-1])))
        windows = np.lib.stride_tricks.sliding_window_view(padded, self.size, axis=-1)
        spectrum = fft.rfft(windows[:, :: self._advance], axis=-1)  # (channel, window, bin)
        product = spectrum[0] * self._responses[0][:, :, None]
        for channel in range(1, len(spectrum)):
            product += spectrum[channel] * self._responses[channel][:, :, None]
        result: FloatArray = fft.irfft(product, self.size, axis=-1, overwrite_x=True)
        fresh = result[..., self.overlap :].reshape(*result.shape[:2], -1)
        return fresh[..., :frames]

    def _shifted(self, joined: FloatArray, frames: int) -> FloatArray:
        """Sum of copies shifted by each tap and weighted."""
        mixes = self._responses.shape[1]
        total = np.zeros((2 * mixes, frames), dtype=np.float32)
        for number, tap in enumerate(self._taps if self._taps is not None else ()):
            start = self.overlap - int(tap)
            gains = self._responses[..., number].reshape(len(joined), -1)
            total += gains.T @ joined[:, start : start + frames]
        return total.reshape(mixes, 2, frames)
