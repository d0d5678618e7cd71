"""Whether the mix keeps the weight of its lows.

Unit: squared dB by which each 25-250 Hz third of the whole mix leaves the reference beyond
`formulas.LOW_FREE_DB`, weighted by how much the third matters; 0 at the reference, 1 at 1.5 dB in
every third. Lows are judged on the tracks' energies, not on the phase in which two of them happen
to meet.
Witness: third-octave levels (IEC 61260-1), closed forms.

`significance`: which thirds matter. `low_change_db`: levels against the reference.
`low_weight`: the cost. `layer_matters`, `layer_change_db`: the lows of single layers, which no seat
may filter away, even where another layer makes up for them in the mix.
"""

from __future__ import annotations

import numpy as np

from placer.cost import formulas
from sim.decibel import FloatArray, energy_db

SIGNIFICANT_RANGE_DB = 20.0
"""A third this far below the strongest does not count, dB (common practice, no source)."""

MATTERS = 0.25
"""Significance from which the limit holds: within 15 dB of the strongest third."""

LOW_FLOOR = 1e-9
"""Share of the strongest third below which a third is silent (-90 dB)."""

LAYER_SHARE = 0.05
"""Part of a layer's energy from which a third begins to matter to it; from twice as much it does in
full (a matter of sense, no source)."""


def significance(reference: FloatArray) -> FloatArray:
    """How much each third (11,) counts: 1 the strongest, 0 from `SIGNIFICANT_RANGE_DB` below it.

    Parameters
    ----------
    reference : (11,) FloatArray
        Energies of the whole reference mix; all zero where the cue has no lows.
    """
    if reference.max() <= 0.0:
        return np.zeros_like(reference)
    below = energy_db(reference / reference.max())
    weight: FloatArray = np.clip(1.0 + below / SIGNIFICANT_RANGE_DB, 0.0, 1.0)
    return weight


def low_change_db(thirds: FloatArray, reference: FloatArray) -> FloatArray:
    """Level of each third against the reference, dB; 0 where the reference is silent."""
    floor = LOW_FLOOR * max(float(reference.max()), 1e-30)
    change: FloatArray = formulas.change_db(thirds, reference, floor)
    return change


def low_weight(change_db: FloatArray, weight: FloatArray) -> float:
    """Cost of changed lows, 0 or more.

    Parameters
    ----------
    change_db : (11,) FloatArray
        From `low_change_db`.
    weight : (11,) FloatArray
        From `significance`.
    """
    cost = formulas.third_cost(change_db)
    return float((weight * cost).sum() / max(float(weight.sum()), 1e-9))


def layer_matters(thirds: FloatArray, early: FloatArray, late: FloatArray) -> FloatArray:
    """How much each low third matters to a layer, (T, 11), 0 to 1.

    It rises evenly, so that two measurements of one layer that differ by little agree.

    Parameters
    ----------
    thirds : (T, 4, 11) FloatArray
    early, late : (T, 4, B) FloatArray
        Plain covariances of the reference.
    """
    whole = (early + late)[:, :2].sum((1, 2))
    share = thirds[:, :2].sum(1) / np.maximum(whole, 1e-30)[:, None]
    matters: FloatArray = np.clip(share / LAYER_SHARE - 1.0, 0.0, 1.0)
    return matters


def layer_change_db(thirds: FloatArray, reference: FloatArray) -> FloatArray:
    """Level (T, 11) of each low third of layers against the reference, dB; 0 where that is silent.

    Parameters
    ----------
    thirds : (T, 4, 11) FloatArray
    reference : (T or 1, 4, 11) FloatArray
    """
    before = reference[:, :2].sum(1)
    ratio = thirds[:, :2].sum(1) / np.where(before > 0.0, before, 1.0)
    change: FloatArray = np.where(before > 0.0, energy_db(np.maximum(ratio, 1e-6)), 0.0)
    return change
