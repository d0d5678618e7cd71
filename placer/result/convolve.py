"""How a stem of any length is convolved piece by piece, for several mixes at once.

*Conventions*: (channel, frame) float32; output frame 0 is input frame 0 (causal responses).

`Convolver`: push blocks in, get as many frames out; overlap-save with one large transform, which
all mixes share, or shifted sums where responses have a few taps only.

Sources
-------
Overlap-save: Oppenheim and Schafer, Discrete-Time Signal Processing (from memory), chapter 8.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from scipy import fft

from sim.decibel import FloatArray

SHORTEST_TRANSFORM = 1 << 16

LONGEST_TRANSFORM = 3
"""Times the response, or the shortest: longer ones outgrow the processor's caches and take more
time and memory."""

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
    frames : int
        How many will be pushed in all: the length of the transform follows.
    """

    def __init__(self, responses: FloatArray, frames: int) -> None:
        self.size = _transform_length(responses.shape, frames)
        self.overlap = responses.shape[-1] - 1
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

    def push(self, block: FloatArray) -> Iterator[FloatArray]:
        """Convolve the next block.

        Parameters
        ----------
        block : (input channel, frame) float32
            At most `step` frames.

        Returns
        -------
        iterator of (2, frame) float32
            One a mix, worked out as they are asked for.

        Raises
        ------
        ValueError
            The block is longer than `step`.
        """
        frames = block.shape[-1]
        if frames > self.step:
            raise ValueError(f"block of {frames} frames; at most {self.step} fit the transform")
        joined = np.concatenate([self._history, block.astype(np.float32, copy=False)], axis=-1)
        self._history = joined[:, joined.shape[-1] - self.overlap :].copy()
        if self._taps is not None:
            return iter(self._shifted(joined, frames))
        return self._transformed(joined, frames)

    def _transformed(self, joined: FloatArray, frames: int) -> Iterator[FloatArray]:
        """Overlap-save: all windows that the frames take, a few mixes at a time."""
        count = max(1, -(-frames // self._advance))
        wanted = self.overlap + count * self._advance
        padded = np.pad(joined, ((0, 0), (0, wanted - joined.shape[-1])))
        windows = np.lib.stride_tricks.sliding_window_view(padded, self.size, axis=-1)
        spectrum = fft.rfft(windows[:, :: self._advance], axis=-1)  # (channel, window, bin)
        for mix in range(0, self._responses.shape[1], AT_ONCE // 2):
            # few enough that their memory is used again and lies near
            mixes = self._responses[:, mix : mix + AT_ONCE // 2, :, None]
            product = spectrum[0] * mixes[0]
            for one, response in zip(spectrum[1:], mixes[1:], strict=True):
                product += one * response
            result = fft.irfft(product, self.size, axis=-1, overwrite_x=True)
            fresh = result[..., self.overlap :].reshape(*result.shape[:2], -1)
            yield from fresh[..., :frames]

    def _shifted(self, joined: FloatArray, frames: int) -> FloatArray:
        """Sum of copies shifted by each tap and weighted."""
        mixes = self._responses.shape[1]
        total = np.zeros((2 * mixes, frames), dtype=np.float32)
        for number, tap in enumerate(self._taps if self._taps is not None else ()):
            start = self.overlap - int(tap)
            gains = self._responses[..., number].reshape(len(joined), -1)
            total += gains.T @ joined[:, start : start + frames]
        return total.reshape(mixes, 2, frames)


def _transform_length(shape: tuple[int, ...], frames: int) -> int:
    """Length whose transforms of responses and windows take the least work in all."""
    mixes, channels, _, taps = shape
    longest = LONGEST_TRANSFORM * max(taps, SHORTEST_TRANSFORM // 2)
    least = -(-frames // max(1, longest - taps))  # windows that the longest allowed takes
    work: dict[float, int] = {}
    for windows in range(max(1, least), 2 * least + 3):
        fresh = max(-(-frames // windows), SHORTEST_TRANSFORM - taps, 1)
        size = int(fft.next_fast_len(fresh + taps - 1, real=True))
        made = 2 * mixes * channels + windows * (channels + 2 * mixes)
        work[made * size * math.log(size)] = size
    return work[min(work)]
