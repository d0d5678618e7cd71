"""The one loop that measuring loudness spends its time in, compiled.

*Conventions*: sound (channel, frame); sections (2, 6) as `placer.audio.k_weighting`.

`weighted_sums`: K-weighted energy of a stream in steps of equal length.

Sources
-------
ITU-R BS.1770-5, Annex 1. Transposed direct form II: Oppenheim and Schafer (from memory), chapter 6.
"""

from __future__ import annotations

from functools import partial
from typing import Any, NamedTuple

import numpy as np

from placer.compiler import jit

Array = np.ndarray[Any, Any]

GONE = 1e-120
"""Below this a filter's memory becomes zero: the smallest numbers slow a loop down."""


class Stream(NamedTuple):
    """What is kept between two pieces of a stream.

    sections (2, 6); weights (channel,) of power; memory (channel, 4) of the filters; frames of a
    step, and how many of them the first step of the next piece has had.
    """

    sections: Array
    weights: Array
    memory: Array
    frames: int
    held: int


@partial(jit, fastmath=("contract", "nsz", "reassoc"))
def loop(sound: Array, stream: Stream) -> Any:
    """Weighted squares of the next piece, summed in steps; the last one may not be full.

    Two channels run side by side, because each sample of one waits for the sample before it. The
    compiler may order sums as suits the processor: a quarter less time, the last digits change.
    """
    sections, memory, size = stream.sections, stream.memory, sound.shape[1]
    sums = np.zeros((stream.held + size) // stream.frames + 1)
    b0, b1, b2, _, a1, a2 = sections[0]
    c0, c1, c2, _, d1, d2 = sections[1]
    for first in range(0, sound.shape[0], 2):
        second = min(first + 1, sound.shape[0] - 1)
        p, q = sound[first], sound[second]
        p0, p1, p2, p3 = memory[first]
        q0, q1, q2, q3 = memory[second]
        u, v = stream.weights[first], stream.weights[second] * (second - first)
        start, end = 0, min(stream.frames - stream.held, size)
        for step in range(sums.size):
            mine, other = 0.0, 0.0
            for f in range(start, end):
                x, y = np.float64(p[f]), np.float64(q[f])
                s, t = b0 * x + p0, b0 * y + q0
                p0, q0 = b1 * x - a1 * s + p1, b1 * y - a1 * t + q1
                p1, q1 = b2 * x - a2 * s, b2 * y - a2 * t
                x, y = c0 * s + p2, c0 * t + q2
                p2, q2 = c1 * s - d1 * x + p3, c1 * t - d1 * y + q3
                p3, q3 = c2 * s - d2 * x, c2 * t - d2 * y
                mine, other = mine + x * x, other + y * y
            sums[step] += u * mine + v * other
            start, end = end, min(end + stream.frames, size)
        memory[second, 0], memory[second, 1], memory[second, 2], memory[second, 3] = q0, q1, q2, q3
        memory[first, 0], memory[first, 1], memory[first, 2], memory[first, 3] = p0, p1, p2, p3
    for c in range(memory.shape[0]):
        for i in range(4):
            if abs(memory[c, i]) < GONE:
                memory[c, i] = 0.0
    return sums


def weighted_sums(sound: Array, stream: Stream) -> Array:
    """Weighted squares of the next (channel, frame) piece, summed in steps.

    Returns
    -------
    (step,) float64
        The last one may not be full (it may be empty).
    """
    single = sound.dtype == np.float32
    held = np.ascontiguousarray(sound, dtype=np.float32 if single else np.float64)
    sums: Array = loop(held, stream)
    return sums
