"""How long sound lasts in a room, by the two classical formulas and their inverse.

*Conventions*: m, m2, m3, s; absorption coefficients of energy; `air` is the energy attenuation m
in 1/m (see `sim.air`). Arrays broadcast over bands.

`sabine`, `eyring`: reverberation time from absorption.
`eyring_absorption`: the mean absorption that gives a wanted time.
`air_time`: the time air alone would give, the longest that any walls allow.

Sources
-------
Kuttruff (2009), Room Acoustics, 5th ed., ch. 5: T = 24 ln 10 V / (c A), A = S a + 4 m V (Sabine)
or A = -S ln(1 - a) + 4 m V (Eyring). 24 ln 10 / c is 0.161 s/m at 343 m/s.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]

DECAY = 6.0 * np.log(10.0)
"""Nepers of energy in 60 dB: energy falls as exp(-DECAY t / T)."""


def sabine(
    volume: float, area: float, absorption: FloatArray, *, air: FloatArray, speed: float = 343.2
) -> FloatArray:
    """Sabine's reverberation time in s.

    Parameters
    ----------
    volume : float
        m3.
    area : float
        m2.
    absorption : (band,) FloatArray
        Mean absorption coefficient.
    air : (band,) FloatArray
        Energy attenuation of air, 1/m.
    speed : float
        Speed of sound, m/s.

    Returns
    -------
    (band,) FloatArray
        s.

    References
    ----------
    Kuttruff (2009), eq. 5.24 with the air term.
    """
    times: FloatArray = 4.0 * DECAY * volume / (speed * (area * absorption + 4.0 * air * volume))
    return times


def eyring(
    volume: float, area: float, absorption: FloatArray, *, air: FloatArray, speed: float = 343.2
) -> FloatArray:
    """Eyring's reverberation time in s; arguments as `sabine`.

    References
    ----------
    Kuttruff (2009), eq. 5.23 with the air term.
    """
    return sabine(volume, area, -np.log1p(-absorption), air=air, speed=speed)


def eyring_absorption(
    volume: float, area: float, time: FloatArray, *, air: FloatArray, speed: float = 343.2
) -> FloatArray:
    """Mean absorption coefficient whose Eyring time is `time`; the inverse of `eyring`."""
    exponent = (4.0 * DECAY * volume / (speed * time) - 4.0 * air * volume) / area
    absorption: FloatArray = -np.expm1(-exponent)
    return absorption


def air_time(air: FloatArray, *, speed: float = 343.2) -> FloatArray:
    """Reverberation time in s between walls that absorb nothing: air alone ends the sound."""
    times: FloatArray = DECAY / (air * speed)
    return times
