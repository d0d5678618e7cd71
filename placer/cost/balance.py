"""Whether the mix leans to one side, as a whole or in its lows.

Unit: squared dB of left against right beyond what the reference leans, over `SCALE_DB`; the mean
of the whole (loudness-weighted) and of the lows (25-250 Hz). Positive dB is louder on the right.
Witness: closed forms.

`lean_db`: right against left. `balance`: the cost.
"""

from __future__ import annotations

import numpy as np

from sim.decibel import FloatArray, energy_db

SCALE_DB = 3.0
"""Leaning further than the reference by this costs 1, dB."""


def lean_db(left: FloatArray, right: FloatArray) -> FloatArray:
    """Right against left, dB, held to +-40 where one side is silent, elementwise.

    Examples
    --------
    >>> lean_db(np.array([1.0, 1.0, 1.0]), np.array([1.0, 2.0, 0.0])).round(2).tolist()
    [0.0, 3.01, -40.0]
    """
    floor = 1e-12 * (left + right) + 1e-30
    lean: FloatArray = np.clip(energy_db((right + floor) / (left + floor)), -40.0, 40.0)
    return lean


def balance(whole_db: float, low_db: float, *, reference: tuple[float, float]) -> float:
    """Cost of leaning.

    Parameters
    ----------
    whole_db, low_db : float
        From `lean_db`.
    reference : (whole, low) float
        The same of the reference mix.

    Returns
    -------
    float
        0 or more.
    """
    beyond = [
        max(abs(now) - abs(then), 0.0) / SCALE_DB
        for now, then in zip((whole_db, low_db), reference, strict=True)
    ]
    return 0.5 * (beyond[0] ** 2 + beyond[1] ** 2)
