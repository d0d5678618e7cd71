"""How a stem of any length is convolved piece by piece.

*Conventions*: (channel, frame) float32; output frame 0 is input frame 0 (causal responses).

`Convolver`: push blocks in, get as many frames out; overlap-save with one large transform.

Sources
-------
Overlap-save: Oppenheim and Schafer, Discrete-Time Signal Processing (from memory), chapter 8.
"""

from __future__ import annotations

import numpy as np
from scipy import fft

from sim.decibel import FloatArray

SHORTEST_TRANSFORM = 1 << 16


class Convolver:
    """Convolves one stem with its placement while it streams by.

    Parameters
    ----------
    responses : (input channel, 2, tap) FloatArray
        Stereo response of each input channel.
    """

    def __init__(self, responses: FloatArray) -> None:
        taps = responses.shape[-1]
        self.size = max(SHORTEST_TRANSFORM, 1 << (2 * taps - 1).bit_length())
        self.overlap = taps - 1
        self.step = self.size - self.overlap
        self._gains = responses[..., 0]
        self._responses = fft.rfft(responses.astype(np.float32), self.size, axis=-1)
        self._history = np.zeros((responses.shape[0], self.overlap), dtype=np.float32)

    def push(self, block: FloatArray) -> FloatArray:
        """Convolve the next block.

        Parameters
        ----------
        block : (input channel, frame) float32
            At most `step` frames.

        Returns
        -------
        (2, frame) float32
        """
        frames = block.shape[-1]
        if self.overlap == 0:
            weighted: FloatArray = np.einsum("cf,cs->sf", block, self._gains)
            return weighted.astype(np.float32)
        if frames > self.step:
            raise ValueError(f"block of {frames} frames; at most {self.step} fit the transform")
        joined = np.concatenate([self._history, block.astype(np.float32)], axis=-1)
        spectrum = fft.rfft(joined, self.size, axis=-1)
        product = spectrum[0] * self._responses[0]
        for channel in range(1, len(spectrum)):
            product += spectrum[channel] * self._responses[channel]
        result: FloatArray = fft.irfft(product, self.size, axis=-1)
        self._history = joined[:, joined.shape[-1] - self.overlap :]
        return result[:, self.overlap : self.overlap + frames].astype(np.float32)
