"""How much sound the air itself takes away, and how fast sound travels in it.

*Conventions*: Hz, degrees Celsius, per cent relative humidity, one standard atmosphere. The
attenuation coefficient is of energy: intensity falls as exp(-m r), r in m.

`attenuation`: m in 1/m from temperature and humidity.
`attenuation_db`: the same in dB/m.
`sound_speed`: m/s from temperature.

Sources
-------
ISO 9613-1:1993, equations 3 to 5 and annex B (saturation vapour pressure); annex A (speed).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]

REFERENCE_KELVIN = 293.15
"""Reference air temperature, K (ISO 9613-1, 4.2)."""

TRIPLE_POINT_KELVIN = 273.16
"""Triple point of water, K (ISO 9613-1, annex B)."""

ZERO_CELSIUS = 273.15
"""0 degrees Celsius, K."""

DB_PER_NEPER_ENERGY = 10.0 / np.log(10.0)
"""dB in a ratio of energies of e."""


def sound_speed(temperature: float) -> float:
    """Speed of sound in m/s: 343.2 sqrt(T / 293.15) (ISO 9613-1, annex A).

    Parameters
    ----------
    temperature : float
        Degrees Celsius.

    Examples
    --------
    >>> round(sound_speed(20.0), 1)
    343.2
    """
    return float(343.2 * np.sqrt((temperature + ZERO_CELSIUS) / REFERENCE_KELVIN))


def water_vapour(temperature: float, humidity: float) -> float:
    """Molar concentration of water vapour in per cent at one atmosphere (annex B)."""
    kelvin = temperature + ZERO_CELSIUS
    exponent = -6.8346 * (TRIPLE_POINT_KELVIN / kelvin) ** 1.261 + 4.6151
    return float(humidity * 10.0**exponent)


def attenuation_db(frequency: FloatArray, temperature: float, humidity: float) -> FloatArray:
    """Atmospheric attenuation of pure tones in dB/m (ISO 9613-1, eq. 3 to 5).

    Parameters
    ----------
    frequency : (...,) FloatArray
        Hz.
    temperature : float
        Degrees Celsius.
    humidity : float
        Relative humidity, per cent.

    Returns
    -------
    (...,) FloatArray
        dB/m.

    References
    ----------
    ISO 9613-1:1993, equations 3 (oxygen), 4 (nitrogen), 5 (attenuation).

    Examples
    --------
    >>> round(float(1000.0 * attenuation_db(np.array(1000.0), 10.0, 70.0)), 2)
    3.66
    """
    kelvin = temperature + ZERO_CELSIUS
    ratio = kelvin / REFERENCE_KELVIN
    vapour = water_vapour(temperature, humidity)
    oxygen = 24.0 + 4.04e4 * vapour * (0.02 + vapour) / (0.391 + vapour)  # eq. 3, Hz
    nitrogen = ratio**-0.5 * (  # eq. 4, Hz
        9.0 + 280.0 * vapour * np.exp(-4.170 * (ratio ** (-1.0 / 3.0) - 1.0))
    )
    squared = np.square(np.asarray(frequency, dtype=np.float64))
    relaxation = ratio**-2.5 * (
        0.01275 * np.exp(-2239.1 / kelvin) / (oxygen + squared / oxygen)
        + 0.1068 * np.exp(-3352.0 / kelvin) / (nitrogen + squared / nitrogen)
    )
    decibels: FloatArray = 8.686 * squared * (1.84e-11 * ratio**0.5 + relaxation)  # eq. 5
    return decibels


def attenuation(frequency: FloatArray, temperature: float, humidity: float) -> FloatArray:
    """Energy attenuation coefficient m in 1/m; intensity falls as exp(-m r).

    Parameters
    ----------
    frequency : (...,) FloatArray
        Hz.
    temperature : float
        Degrees Celsius.
    humidity : float
        Relative humidity, per cent.

    Returns
    -------
    (...,) FloatArray
        1/m.
    """
    decibels = attenuation_db(frequency, temperature, humidity)
    coefficient: FloatArray = decibels / DB_PER_NEPER_ENERGY
    return coefficient
