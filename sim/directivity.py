"""How much of an instrument's sound leaves in each direction.

No published table of instrument directivity is free to ship, so a simple law stands in: an
instrument radiates evenly while its radiating part is small against the wavelength and more and
more forwards above that,

    D(angle, f) = 1 - d(f) (1 - cos(angle)) / 2,   d(f) = depth (k a)^2 / (1 + (k a)^2),

with k = 2 pi f / c and a the radius of the radiating part (a bell, a top plate, a mouth). On its
axis D is 1 in every band: the dry stem is heard there as it is, and what the law takes away
behind is missing from the reverberation too.

*Conventions*: angles from the family's axis; amplitude factors.

`FAMILIES`: radius, depth and axis of each family.
`axis`: unit vector of a seat's axis. `shading`: d(f). `power`: mean of D^2 over the sphere.

Sources
-------
Corner at k a = 1: Kinsler et al. (2000), Fundamentals of Acoustics, ch. 7 (piston and pulsating
sphere). Radii, depths and main directions: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class Radiation:
    """How one family radiates.

    Attributes
    ----------
    radius : m, of the radiating part
    depth : how much is missing straight behind at high frequencies (0: even, 1: nothing left)
    facing : +1 towards the conductor, -1 away, 0 neither (straight up)
    elevation_deg : of the axis above the horizontal, unless it points straight up
    """

    radius: float
    depth: float
    facing: int
    elevation_deg: float


FAMILIES: dict[str, Radiation] = {
    "omni": Radiation(0.0, 0.0, 1, 0.0),
    "strings": Radiation(0.15, 0.6, 1, 50.0),
    "woodwinds": Radiation(0.05, 0.5, 1, 15.0),
    "brass": Radiation(0.09, 0.8, 1, 5.0),
    "horns": Radiation(0.12, 0.7, -1, 10.0),
    "percussion": Radiation(0.25, 0.3, 0, 90.0),
    "keyboards": Radiation(0.30, 0.4, 1, 45.0),
    "plucked": Radiation(0.15, 0.4, 1, 20.0),
    "voices": Radiation(0.08, 0.7, 1, 10.0),
    "electronic": Radiation(0.0, 0.0, 1, 0.0),
}
"""Families of instruments (common practice, no source)."""


def axis(family: str, position: FloatArray) -> FloatArray:
    """Unit vector in which an instrument at `position` (stage coordinates, m) mainly radiates."""
    radiation = FAMILIES[family]
    radius = float(np.hypot(position[0], position[1]))
    if radiation.facing == 0:
        return np.array([0.0, 0.0, 1.0])
    flat = -position[:2] / radius if radius > 1e-6 else np.array([0.0, -1.0])
    elevation = np.radians(radiation.elevation_deg)
    forward = radiation.facing * np.cos(elevation) * flat
    return np.array([forward[0], forward[1], np.sin(elevation)])


def shading(family: str, frequency: FloatArray, *, speed: float) -> FloatArray:
    """Share d(f) of the amplitude that is missing straight behind the instrument.

    Parameters
    ----------
    family : str
        A key of `FAMILIES`.
    frequency : (band,) FloatArray
        Hz.
    speed : float
        Speed of sound, m/s.

    Returns
    -------
    (band,) FloatArray
        0 (even radiation) to the family's depth.
    """
    radiation = FAMILIES[family]
    squared = np.square(2.0 * np.pi * np.asarray(frequency) * radiation.radius / speed)
    shares: FloatArray = radiation.depth * squared / (1.0 + squared)
    return shares


def power(shade: FloatArray) -> FloatArray:
    """Mean of D^2 over the sphere: (1 - d/2)^2 + (d/2)^2 / 3; what feeds the reverberation."""
    mean: FloatArray = np.square(1.0 - 0.5 * shade) + np.square(0.5 * shade) / 3.0
    return mean
