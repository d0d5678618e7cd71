"""What reaches the two ears from a stereo mix, by headphones and by loudspeakers at +-30 degrees.

*Conventions*: a stereo covariance is 4 reals in the order LL, RR, Re(L conj R), Im(L conj R).
A way of listening is a real 4 x 4 matrix a band that turns the covariance of the channels into
the covariance of the ears. Phases follow exp(+j w t): an earlier arrival has the greater phase.
Frequencies in Hz, angles in radians, lengths in metres. Ways come in the order of `WAYS`.

`sphere_response`: pressure on a rigid sphere in a plane wave, the head.
`covariance_map`: 2 x 2 transfer functions -> 4 x 4 map of covariances.
`ear_maps`: the maps of both ways of listening for a set of bands.

Sources
-------
Duda & Martin (1998), J. Acoust. Soc. Am. 104, 3048-3058, the rigid-sphere series for a source at
infinity (Rayleigh's solution); formula from memory, checked in the tests against both closed-form
limits of the interaural delay, 3 a sin(theta) / c at low and a (theta + sin(theta)) / c at high
frequencies (Kuhn 1977; Woodworth 1938), and against a measured head (KEMAR).
Head radius 8.75 cm: the value those papers use.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.bands import erb_bandwidth

FloatArray = NDArray[np.floating[Any]]
ComplexArray = NDArray[np.complexfloating[Any, Any]]

HEAD_RADIUS = 0.0875
"""Radius of the spherical head, m."""

SPEED_OF_SOUND = 343.0
"""Of air at 20 degrees Celsius, m/s."""

SPEAKER_ANGLE = np.pi / 6.0
"""Half the angle between the loudspeakers (ITU-R BS.775: +-30 degrees), rad."""

WAYS = ("headphones", "loudspeakers")
"""Ways of listening, in the order of every array that has an axis for them."""

BAND_POINTS = 9
"""Frequencies over which a band's map is averaged, so that phase may turn within the band."""


def sphere_response(frequency: FloatArray, angle: float) -> ComplexArray:
    """Pressure on a rigid sphere, relative to the free field at its centre.

    H = conj( (1/mu^2) sum_m (-i)^(m-1) (2m+1) P_m(cos angle) / h'_m(mu) ), mu = 2 pi f a / c,
    for a source at infinity; h is the spherical Hankel function of the first kind.

    Parameters
    ----------
    frequency : (N,) FloatArray
        Above zero, Hz.
    angle : float
        Between the direction of the source and the point on the sphere, rad.

    Returns
    -------
    (N,) ComplexArray

    References
    ----------
    Duda & Martin (1998), J. Acoust. Soc. Am. 104, 3048.
    """
    from scipy.special import eval_legendre, spherical_jn, spherical_yn

    mu = 2.0 * np.pi * np.asarray(frequency, float) * HEAD_RADIUS / SPEED_OF_SOUND
    terms = int(np.ceil(1.3 * mu.max())) + 16
    total = np.zeros(mu.shape, complex)
    for m in range(terms):
        slope = spherical_jn(m, mu, derivative=True) + 1j * spherical_yn(m, mu, derivative=True)
        total += (-1j) ** (m - 1) * (2 * m + 1) * eval_legendre(m, np.cos(angle)) / slope
    response: ComplexArray = np.conj(total / mu**2)
    return response


def covariance_map(direct: ComplexArray, cross: ComplexArray) -> FloatArray:
    """Turn symmetric transfer functions into a map from channel to ear covariances.

    Left ear = direct * L + cross * R, right ear = cross * L + direct * R.

    Parameters
    ----------
    direct, cross : (N,) ComplexArray
        From a loudspeaker to the ear on its own side and on the other side.

    Returns
    -------
    (4, 4, N) FloatArray
        Rows: ear LL, RR, Re, Im; columns: channel LL, RR, Re, Im.
    """
    near, far = np.abs(direct) ** 2, np.abs(cross) ** 2
    turn = direct * np.conj(cross)
    real, imag, zero = turn.real, turn.imag, np.zeros_like(near)
    rows = (
        (near, far, 2.0 * real, -2.0 * imag),
        (far, near, 2.0 * real, 2.0 * imag),
        (real, real, near + far, zero),
        (imag, -imag, zero, near - far),
    )
    return np.array(rows)


def ear_maps(centres: FloatArray) -> FloatArray:
    """Channel-to-ear covariance maps of both ways of listening.

    Headphones: identity. Loudspeakers: spherical-head responses averaged over an equivalent
    rectangular bandwidth, with the level set so that a decorrelated pair keeps its energy.

    Parameters
    ----------
    centres : (B,) FloatArray
        Band centres in Hz.

    Returns
    -------
    (2, 4, 4, B) FloatArray
        In the order of `WAYS`; then as `covariance_map`. Read-only, kept for the next time.
    """
    return _ear_maps(tuple(np.asarray(centres, float).tolist()))


@lru_cache(maxsize=8)
def _ear_maps(hertz: tuple[float, ...]) -> FloatArray:
    """`ear_maps` of band centres that can be a key."""
    centres = np.array(hertz)
    spread = (np.arange(BAND_POINTS) + 0.5) / BAND_POINTS - 0.5
    points = centres[:, None] + spread * erb_bandwidth(centres)[:, None]
    points = np.maximum(points, 0.5 * centres[:, None]).ravel()
    direct = sphere_response(points, np.pi / 2.0 - SPEAKER_ANGLE)
    cross = sphere_response(points, np.pi / 2.0 + SPEAKER_ANGLE)
    speakers = covariance_map(direct, cross).reshape(4, 4, len(centres), BAND_POINTS).mean(-1)
    speakers = speakers / (speakers[0, 0] + speakers[0, 1])
    identity = np.broadcast_to(np.eye(4)[:, :, None], speakers.shape)
    maps = np.stack([identity, speakers])
    maps.setflags(write=False)
    return maps
