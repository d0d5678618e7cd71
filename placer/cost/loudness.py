"""Whether the mix reaches its loudness, and whether every layer still adds to it.

Unit: LU short of the target at the true-peak ceiling, and dB by which the sum of the tracks is
weaker than their energies added (doubled layers that cancel), each over `SCALE_LU`.
Witness: ITU-R BS.1770-5 for the weighting; closed forms (two equal layers in antiphase vanish).

`k_weighting`: power weight of a band in loudness. `band_loss_db`, `sum_loss_db`: what cancels.
`loudness`: the cost.
"""

from __future__ import annotations

import numpy as np

from sim.decibel import FloatArray, energy_db

SCALE_LU = 3.0
"""Missing loudness that costs 1, LU."""

FREE_LOSS_DB = 0.5
"""Loss of a band that chance alone makes in an excerpt, dB (common practice, no source)."""

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


def band_loss_db(separate: FloatArray, mix: FloatArray) -> FloatArray:
    """How much weaker bands of a sum are than its tracks' energies added, dB, at most 60 (B,)."""
    loss: FloatArray = energy_db(separate) - energy_db(np.maximum(mix, 1e-6 * separate))
    return loss


def sum_loss_db(loss_db: FloatArray, share: FloatArray, before_db: FloatArray) -> float:
    """Loudness-weighted mean of what bands lose when the tracks are added.

    Parameters
    ----------
    loss_db : (B,) FloatArray
        From `band_loss_db`.
    share : (B,) FloatArray
        K-weighted energy of the tracks.
    before_db : (B,) FloatArray
        What the reference loses in the same way; only more than that counts.

    Returns
    -------
    float
        dB, 0 where nothing cancels beyond `FREE_LOSS_DB`.
    """
    if share.sum() <= 0.0:
        return 0.0
    beyond = np.maximum(loss_db - np.maximum(before_db, 0.0) - FREE_LOSS_DB, 0.0)
    return float((share * beyond).sum() / share.sum())


def loudness(shortfall_lu: float, loss_db: float) -> float:
    """Cost of missing loudness and of layers that cancel: 1 at `SCALE_LU` of either."""
    return (max(shortfall_lu, 0.0) + loss_db) / SCALE_LU
