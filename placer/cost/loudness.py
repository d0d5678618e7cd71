"""Whether the mix reaches its loudness.

Unit: LU short of the target at the true-peak ceiling, over `SCALE_LU`. Before a mix is rendered its
loudness is that of the reference with the change of its K-weighted energy, its peak that of the
reference. Witness: ITU-R BS.1770-5 for the weighting; closed forms.

`k_weighting`: power weight of a band in loudness. `missing_lu`: what the reference is short of.
`loudness`: the cost.
"""

from __future__ import annotations

import numpy as np

from sim.decibel import FloatArray

SCALE_LU = 3.0
"""Missing loudness that costs 1, LU."""

SHELF = (
    (1.53512485958697, -2.69169618940638, 1.19839281085285),
    (-1.69065929318241, 0.73248077421585),
)
"""BS.1770 head filter at 48 kHz: numerator, denominator after the leading 1."""

HIGH_PASS = ((1.0, -2.0, 1.0), (-1.99004745483398, 0.99007225036621))
"""BS.1770 RLB filter at 48 kHz."""


def k_weighting(centres: FloatArray) -> FloatArray:
    """Power weight of bands in BS.1770 loudness.

    Parameters
    ----------
    centres : (B,) FloatArray
        Hz, below 24 kHz.

    Returns
    -------
    (B,) FloatArray

    Examples
    --------
    >>> float((10 * np.log10(k_weighting(np.array([997.0])))).round(2)[0])
    0.69
    """
    delay = np.exp(-2j * np.pi * np.asarray(centres) / 48000.0)
    response = np.ones(delay.shape, complex)
    for (b0, b1, b2), (a1, a2) in (SHELF, HIGH_PASS):
        response *= (b0 + b1 * delay + b2 * delay**2) / (1.0 + a1 * delay + a2 * delay**2)
    weight: FloatArray = np.abs(response) ** 2
    return weight


def missing_lu(loudness: tuple[float, float, float]) -> float:
    """LU by which the reference misses its target at the true-peak ceiling, below 0 with room left.

    Parameters
    ----------
    loudness : (reference LUFS, reference true peak dBTP, target LUFS less ceiling dBTP)
        As in `Scene`.

    Examples
    --------
    >>> missing_lu((-20.0, -4.0, -15.0))
    1.0
    """
    lufs, peak_dbtp, wanted = loudness
    return wanted - (lufs - peak_dbtp)


def loudness(shortfall_lu: float) -> float:
    """Cost of missing loudness: 1 at `SCALE_LU`.

    Examples
    --------
    >>> loudness(1.5)
    0.5
    """
    return max(shortfall_lu, 0.0) / SCALE_LU
