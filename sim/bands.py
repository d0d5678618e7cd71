"""Which frequency bands the ear, the room and the low-weight figure are told apart by.

*Conventions*: frequencies in Hz; one row a band, one column an FFT bin.

`erb_bandwidth`, `erb_number`, `erb_frequency`: Glasberg and Moore (1990).
`ERB_CENTRES`: the bands of the cost, ERB-numbers 1 to 39 (26 Hz to 15 kHz).
`LOW_THIRDS`: third-octave centres 25 to 250 Hz (IEC 61260-1, base ten).
`power_weights`: which share of each FFT bin's power falls to which band (a partition).
`excitation_weights`: rounded-exponential filters, so that a neighbour's energy spreads.

Sources
-------
Glasberg & Moore (1990), Hearing Research 47, 103-138: ERB, ERB-number, roex p = 4 f / ERB.
IEC 61260-1:2014: base-ten third-octave mid-band frequencies and edges.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]

OCTAVES = np.array([125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0])
"""Octave-band centres in which rooms and materials are described, Hz."""


def erb_bandwidth(frequency: float | FloatArray) -> Any:
    """Equivalent rectangular bandwidth in Hz: 24.7 (4.37 f / 1000 + 1).

    Examples
    --------
    >>> round(float(erb_bandwidth(1000.0)), 2)
    132.64
    """
    return 24.7 * (4.37e-3 * np.asarray(frequency) + 1.0)


def erb_number(frequency: float | FloatArray) -> Any:
    """ERB-number (Cam): 21.4 log10(4.37 f / 1000 + 1)."""
    return 21.4 * np.log10(4.37e-3 * np.asarray(frequency) + 1.0)


def erb_frequency(number: float | FloatArray) -> Any:
    """Frequency in Hz of an ERB-number; the inverse of `erb_number`."""
    return (np.power(10.0, np.asarray(number) / 21.4) - 1.0) / 4.37e-3


ERB_CENTRES: FloatArray = erb_frequency(np.arange(1.0, 40.0))
"""Centres of the cost's 39 bands, one an ERB apart, Hz."""

LOW_THIRDS: FloatArray = np.power(10.0, np.arange(14.0, 25.0) / 10.0)
"""Exact base-ten third-octave centres from 25 to 250 Hz (11 bands), Hz."""


def erb_edges() -> FloatArray:
    """Edges in Hz of the cost's bands: half an ERB-number either side; shape (40,)."""
    edges: FloatArray = erb_frequency(np.arange(0.5, 40.0))
    return edges


def third_edges(centres: FloatArray = LOW_THIRDS) -> FloatArray:
    """Edges in Hz of base-ten third-octave bands: centre * 10^(-1/20), last * 10^(1/20)."""
    return np.append(centres * 10 ** (-1 / 20), centres[-1] * 10 ** (1 / 20))


def power_weights(edges: FloatArray, frequencies: FloatArray) -> FloatArray:
    """Share of each FFT bin that lies between neighbouring edges.

    Parameters
    ----------
    edges : (bands + 1,) FloatArray
        Rising band edges in Hz.
    frequencies : (bins,) FloatArray
        Evenly spaced bin centres in Hz; a bin reaches half a spacing either side.

    Returns
    -------
    (bands, bins) FloatArray
        Between 0 and 1; each bin inside the edges sums to 1 over the bands.
    """
    half = 0.5 * (frequencies[1] - frequencies[0])
    low = np.maximum(edges[:-1, None], frequencies - half)
    high = np.minimum(edges[1:, None], frequencies + half)
    shares: FloatArray = np.maximum(high - low, 0.0) / (2.0 * half)
    return shares


def excitation_weights(centres: FloatArray, frequencies: FloatArray) -> FloatArray:
    """Power weights of rounded-exponential filters, W(g) = (1 + p g) exp(-p g).

    g = |f - fc| / fc and p = 4 fc / ERB(fc) (Glasberg & Moore 1990, the level-independent
    symmetric form). Unity at the centre; the filter's equivalent rectangular width is one ERB.

    Parameters
    ----------
    centres : (bands,) FloatArray
        Filter centres in Hz.
    frequencies : (bins,) FloatArray
        FFT bin centres in Hz.

    Returns
    -------
    (bands, bins) FloatArray
        Weights between 0 and 1.
    """
    p = 4.0 * centres[:, None] / erb_bandwidth(centres)[:, None]
    g = np.abs(frequencies[None, :] - centres[:, None]) / centres[:, None]
    weights: FloatArray = (1.0 + p * g) * np.exp(-p * g)
    return weights
