"""How the products of a track's channels are gathered over frames and bins, compiled.

*Conventions*: C channels give P = C * C packed numbers (`layout.pack_gram`): real parts of the
upper triangle by rows, then imaginary parts above the diagonal.

`gathered_products`: products of short-time spectra, summed over frames of one label.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from placer.compiler import jit
from sim.decibel import FloatArray

Array = np.ndarray[Any, Any]


@jit
def gather(real: Array, imag: Array, label: Array, out: Array) -> None:
    """Add products of (C, frame, bin) spectra to out (P, label, bin)."""
    channels, frames, bins = real.shape
    pairs = channels * (channels + 1) // 2
    for t in range(frames):
        n = label[t]
        pair, strict = 0, pairs
        for i in range(channels):
            for j in range(i, channels):
                a, b, c, d = real[i, t], imag[i, t], real[j, t], imag[j, t]
                into = out[pair, n]
                for k in range(bins):
                    into[k] += a[k] * c[k] + b[k] * d[k]
                if j > i:
                    across = out[strict, n]
                    for k in range(bins):
                        across[k] += b[k] * c[k] - a[k] * d[k]
                    strict += 1
                pair += 1


def gathered_products(spectrum: np.ndarray, label: np.ndarray, count: int) -> FloatArray:
    """Sum products of channels over the frames of each label, (P, count, bin) float32.

    Parameters
    ----------
    spectrum : (C, frame, bin) complex64 ndarray
    label : (frame,) int ndarray
        Below `count`.
    """
    channels, _, bins = spectrum.shape
    out = np.zeros((channels * channels, count, bins), dtype=np.float32)
    real, imag = np.ascontiguousarray(spectrum.real), np.ascontiguousarray(spectrum.imag)
    gather(real, imag, np.asarray(label, dtype=np.int64), out)
    return out
