"""How linear quantities and decibels turn into one another.

*Conventions*: `_db` names decibels; amplitudes and energies are linear. Energies at or below
`ENERGY_FLOOR` read as `FLOOR_DB`, so that no infinity or NaN can leave a formula.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]

ENERGY_FLOOR = 1e-20
"""Energy below which a value counts as silence (-200 dB re 1)."""

FLOOR_DB = -200.0
"""Level of silence, dB."""


def amplitude(gain_db: float | FloatArray) -> Any:
    """Linear amplitude of a gain in dB: 10^(dB/20).

    Examples
    --------
    >>> float(round(amplitude(-6.0206), 4))
    0.5
    """
    return np.power(10.0, np.asarray(gain_db) / 20.0)


def energy(level_db: float | FloatArray) -> Any:
    """Linear energy of a level in dB: 10^(dB/10)."""
    return np.power(10.0, np.asarray(level_db) / 10.0)


def energy_db(value: float | FloatArray) -> Any:
    """Level in dB of a linear energy, never below `FLOOR_DB`.

    Examples
    --------
    >>> float(energy_db(100.0)), float(energy_db(0.0))
    (20.0, -200.0)
    """
    return 10.0 * np.log10(np.maximum(value, ENERGY_FLOOR))


def amplitude_db(value: float | FloatArray) -> Any:
    """Level in dB of a linear amplitude, never below `FLOOR_DB`."""
    return energy_db(np.square(value))
