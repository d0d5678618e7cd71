"""Whether a layer keeps its tone: what its bands have against one another above the lows.

Unit: dB by which band levels move against the reference once the change that all share is taken
out; the mean over bands by their energy, and the most anywhere. Below `LOWEST_HZ` the lows have
limits of their own (`low_weight`). Witness: closed forms.

`tone_shares`: which bands count. `tone_change_db`: mean and most.
"""

from __future__ import annotations

import numpy as np

from placer.cost.formulas import decibel
from sim.decibel import FloatArray

LOWEST_HZ = 250.0
"""Bands from here on count; the lows below are held third by third."""

RANGE_DB = 20.0
"""A band this far below the layer's strongest does not count, dB (common practice, no source)."""


def tone_shares(power: FloatArray, centres: FloatArray) -> FloatArray:
    """Share of each band in the energy by which tone is judged.

    Parameters
    ----------
    power : (T, B) FloatArray
        Plain band energies of the reference.
    centres : (B,) FloatArray
        Hz.

    Returns
    -------
    (T, B) FloatArray
        Summing to 1 a track, or to 0 where it has nothing above `LOWEST_HZ`.
    """
    above = power * (centres >= LOWEST_HZ)
    strongest = above.max(-1, keepdims=True, initial=0.0)
    counted = np.where(above >= strongest * 10.0 ** (-RANGE_DB / 10.0), above, 0.0)
    total = counted.sum(-1, keepdims=True)
    shares: FloatArray = counted / np.where(total > 0.0, total, 1.0)
    return shares


def tone_change_db(
    power: FloatArray, reference: FloatArray, shares: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean and greatest change of band levels against one another.

    Parameters
    ----------
    power : (T, B) FloatArray
        Plain band energies.
    reference, shares : (T or 1, B) FloatArray
        Of the reference, and from `tone_shares`.

    Returns
    -------
    mean, most : (T,) FloatArray
        dB, 0 or more; a band that is gone counts as 60 dB.
    """
    before = np.where(reference > 0.0, reference, 1.0)
    change = np.where(shares > 0.0, decibel(np.maximum(power / before, 1e-6)), 0.0)
    aligned = np.abs(change - (shares * change).sum(-1, keepdims=True)) * (shares > 0.0)
    return (shares * aligned).sum(-1), aligned.max(-1)
