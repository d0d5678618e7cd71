"""How alike two microphones hear a field that comes evenly from all sides.

*Conventions*: positions in m, Hz; coherence of i and j is <H_i conj(H_j)> over the root of both
energies, complex where a directional microphone leans towards the other.

`diffuse_power`: energy a microphone takes from a diffuse field.
`diffuse_coherence`: (mic, mic, band).

Sources
-------
Cook et al. (1955), J. Acoust. Soc. Am. 27, 1072-1077: sin(k d) / (k d) for omnidirectional
microphones. Elko (2001), in Microphone Arrays (Springer), ch. 4: first-order microphones. Here by
the plane-wave averages <1> = j0, <n> = i j1 r, <n n'> = j1 / x I - j2 r r', x = k d.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import spherical_jn

from sim.microphones import Microphone

FloatArray = NDArray[np.floating[Any]]
ComplexArray = NDArray[np.complexfloating[Any, Any]]


def diffuse_power(microphones: Sequence[Microphone]) -> FloatArray:
    """Energy taken from a diffuse field re an omnidirectional one: p^2 + (1 - p)^2 / 3; (mic,)."""
    pattern = np.array([m.pattern for m in microphones])
    power: FloatArray = np.square(pattern) + np.square(1.0 - pattern) / 3.0
    return power


def diffuse_coherence(
    microphones: Sequence[Microphone], frequencies: FloatArray, *, speed: float
) -> ComplexArray:
    """Coherence of every pair in a diffuse field.

    Parameters
    ----------
    microphones : sequence of Microphone
    frequencies : (band,) FloatArray
        Hz.
    speed : float
        Speed of sound, m/s.

    Returns
    -------
    (mic, mic, band) ComplexArray
        1 on the diagonal, Hermitian.
    """
    place = np.array([m.position for m in microphones])
    pattern = np.array([m.pattern for m in microphones])
    lean = (1.0 - pattern)[:, None] * np.array([m.aim for m in microphones])
    gap = place[:, None, :] - place[None, :, :]
    distance = np.linalg.norm(gap, axis=-1)
    toward = gap / np.maximum(distance, 1e-9)[:, :, None]
    x = 2.0 * np.pi * distance[:, :, None] * np.asarray(frequencies) / speed
    zeroth, first, second = (spherical_jn(order, x) for order in range(3))
    over = (zeroth + second) / 3.0  # j1(x) / x, also at 0
    along = np.einsum("id,ijd->ij", lean, toward)  # lean of i along the line from j to i
    beside = np.einsum("jd,ijd->ij", lean, toward)
    both = lean @ lean.T
    real = (
        (pattern[:, None] * pattern[None, :])[:, :, None] * zeroth
        + both[:, :, None] * over
        - (along * beside)[:, :, None] * second
    )
    imaginary = (pattern[:, None] * beside + pattern[None, :] * along)[:, :, None] * first
    scale = np.sqrt(np.multiply.outer(diffuse_power(microphones), diffuse_power(microphones)))
    coherence: ComplexArray = (real + 1j * imaginary) / scale[:, :, None]
    return coherence
