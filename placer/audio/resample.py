"""How a stem of any sample rate comes to the rate of the cue, aligned at time zero.

*Conventions*: audio (channel, frame), float32. The converter's delay is taken out, so frame 0
stays frame 0; n frames become round(n * new / old), half upwards.

`output_frames`, `resample` (a whole stem), `Resampler` (block by block, same result),
`source_span` (which part of a file yields a part of the result).

Sources
-------
soxr (the SoX resampler library), quality VHQ: about 28 bits, pass band to 91 % of the lower rate.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

Audio = NDArray[np.float32]

QUALITY = "VHQ"
SPAN_MARGIN = 0.25
"""Seconds read on either side of a span so that the converter's filter is settled."""


def output_frames(frames: int, old_rate: int, new_rate: int) -> int:
    """Count the frames after conversion: round(frames * new / old), half upwards.

    Examples
    --------
    >>> output_frames(44100, 44100, 48000), output_frames(1, 96000, 48000)
    (48000, 1)
    """
    return (2 * frames * new_rate + old_rate) // (2 * old_rate)


def resample(samples: Audio, old_rate: int, new_rate: int) -> Audio:
    """Convert a whole stem to the new rate.

    Parameters
    ----------
    samples : (channel, frame) float32
        Sound at `old_rate` (Hz).
    old_rate, new_rate : int
        Hz.

    Returns
    -------
    (channel, round(frame * new / old)) float32
        The same sound; frame 0 is at the same instant.
    """
    if old_rate == new_rate:
        return samples
    stream = Resampler(samples.shape[0], old_rate, new_rate)
    return stream.push(samples, last=True)


def source_span(first: int, last: int, old_rate: int, new_rate: int) -> tuple[int, int, int]:
    """Find which source frames yield the frames `first` to `last` of the result.

    Source and result share an instant every `old / gcd` source frames; the part begins on one,
    so that it falls on the same sampling grid as the whole.

    Returns
    -------
    (begin, end, skip) : int
        Source frames to read, and how many frames of their conversion precede `first`.
    """
    common = math.gcd(old_rate, new_rate)
    old, new = old_rate // common, new_rate // common
    margin = int(SPAN_MARGIN * new_rate) if old != new else 0
    period = max(0, first - margin) // new
    return period * old, -(-(last + margin) * old // new), first - period * new


class Resampler:
    """Converts block by block; the blocks joined are what `resample` gives for the whole.

    Parameters
    ----------
    channels : int
        Channels of every block.
    old_rate, new_rate : int
        Hz.
    """

    def __init__(self, channels: int, old_rate: int, new_rate: int) -> None:
        import soxr

        self._rates = (old_rate, new_rate)
        self._taken = 0
        self._given = 0
        self._stream: Any = soxr.ResampleStream(
            old_rate, new_rate, channels, dtype="float32", quality=QUALITY
        )

    def push(self, block: Audio, *, last: bool = False) -> Audio:
        """Take in one block and give what is ready, (channel, frame); all of it if `last`."""
        self._taken += block.shape[1]
        frames = np.ascontiguousarray(block.T, dtype=np.float32)
        ready: Audio = np.asarray(self._stream.resample_chunk(frames, last=last)).T
        if last:
            wanted = output_frames(self._taken, *self._rates) - self._given
            ready = _fit(ready, wanted)
        self._given += ready.shape[1]
        return np.ascontiguousarray(ready)


def _fit(samples: Audio, frames: int) -> Audio:
    """Cut or pad with silence to the wanted number of frames."""
    if samples.shape[1] >= frames:
        return samples[:, :frames]
    return np.pad(samples, ((0, 0), (0, frames - samples.shape[1])))
