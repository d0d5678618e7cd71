"""What reaches the two ears from a stereo mix, by headphones and by loudspeakers at +-30 degrees.

*Conventions*: a stereo covariance is 4 reals in the order LL, RR, Re(L conj R), Im(L conj R).
A way of listening is a real 4 x 4 matrix a band that turns the covariance of the channels into
the covariance of the ears. Phases follow exp(+j w t): an earlier arrival has the greater phase.
Frequencies in Hz, angles in radians, lengths in metres. Ways come in the order of `WAYS`.

`sphere_response`: pressure on a rigid sphere in a plane wave, the head.
`covariance_map`: 2 x 2 transfer functions -> 4 x 4 map of covariances.
`speaker_responses`: from the loudspeakers to the ears of a head beside the centre.
`ear_maps`: the maps of both ways of listening for a set of bands.
`head_maps`: the loudspeakers' map at three positions of the head.

Sources
-------
Duda & Martin (1998), J. Acoust. Soc. Am. 104, 3048-3058, the rigid-sphere series for a source at
infinity (Rayleigh's solution); formula from memory, checked in the tests against both closed-form
limits of the interaural delay, 3 a sin(theta) / c at low and a (theta + sin(theta)) / c at high
frequencies (Kuhn 1977; Woodworth 1938), and against a measured head (KEMAR).
Head radius 8.75 cm: the value those papers use.
Loudspeakers 2 m from the listener: ITU-R BS.1116 allows a base of 2 to 3 m (from memory).
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

SPEAKER_DISTANCE = 2.0
"""From either loudspeaker to the centre of the head, m."""

HEAD_POSITIONS = (0.0, -0.1, 0.1)
"""Where a listener's head may be, to the right of the centre, m: nobody sits still to a centimetre,
and what only one position gains is no gain (a matter of sense, no source)."""

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


def covariance_map(matrix: ComplexArray) -> FloatArray:
    """Turn transfer functions into a map from channel to ear covariances.

    With C = L conj R of the channels and ears l = a L + b R, r = c L + d R:
    l conj r = a conj(c) LL + b conj(d) RR + a conj(d) C + b conj(c) conj(C).

    Parameters
    ----------
    matrix : (2, 2, N) ComplexArray
        From loudspeaker (second axis: left, right) to ear (first axis: left, right).

    Returns
    -------
    (4, 4, N) FloatArray
        Rows: ear LL, RR, Re, Im; columns: channel LL, RR, Re, Im.
    """
    (a, b), (c, d) = matrix
    left, right = a * np.conj(b), c * np.conj(d)
    own, other = a * np.conj(d), b * np.conj(c)
    first, second = a * np.conj(c), b * np.conj(d)
    rows = (
        (np.abs(a) ** 2, np.abs(b) ** 2, 2.0 * left.real, -2.0 * left.imag),
        (np.abs(c) ** 2, np.abs(d) ** 2, 2.0 * right.real, -2.0 * right.imag),
        (first.real, second.real, (own + other).real, (other - own).imag),
        (first.imag, second.imag, (own + other).imag, (own - other).real),
    )
    return np.array(rows)


def speaker_responses(frequency: FloatArray, aside: float) -> ComplexArray:
    """Transfer functions from the loudspeakers to the ears of a head that looks ahead.

    Each loudspeaker's wave is taken as plane at the head; its level falls with distance and its
    phase with the way it goes, both relative to `SPEAKER_DISTANCE`.

    Parameters
    ----------
    frequency : (N,) FloatArray
        Above zero, Hz.
    aside : float
        How far the head is to the right of the centre, m.

    Returns
    -------
    (2, 2, N) ComplexArray
        First axis: left, right ear; second: left, right loudspeaker.
    """
    ahead = SPEAKER_DISTANCE * np.cos(SPEAKER_ANGLE)
    columns = []
    for side in (-1.0, 1.0):
        across = side * SPEAKER_DISTANCE * np.sin(SPEAKER_ANGLE) - aside
        distance, azimuth = float(np.hypot(across, ahead)), float(np.arctan2(across, ahead))
        wave = np.exp(-2j * np.pi * frequency * (distance - SPEAKER_DISTANCE) / SPEED_OF_SOUND) * (
            SPEAKER_DISTANCE / distance
        )
        columns.append(
            [wave * sphere_response(frequency, np.pi / 2.0 + ear * azimuth) for ear in (1.0, -1.0)]
        )
    responses: ComplexArray = np.swapaxes(np.array(columns), 0, 1)
    return responses


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
        In the order of `WAYS`; then as `covariance_map`. Read-only.
    """
    speakers = head_maps(centres)[0]
    maps = np.stack([np.broadcast_to(np.eye(4)[:, :, None], speakers.shape), speakers])
    maps.setflags(write=False)
    return maps


def head_maps(centres: FloatArray) -> FloatArray:
    """Channel-to-ear covariance maps of the loudspeakers at `HEAD_POSITIONS`.

    Parameters
    ----------
    centres : (B,) FloatArray
        Band centres in Hz.

    Returns
    -------
    (3, 4, 4, B) FloatArray
        The first is that of `ear_maps`; all with the level of the first. Read-only, kept for the
        next time.
    """
    return _head_maps(tuple(np.asarray(centres, float).tolist()))


@lru_cache(maxsize=8)
def _head_maps(hertz: tuple[float, ...]) -> FloatArray:
    """`head_maps` of band centres that can be a key."""
    centres = np.array(hertz)
    spread = (np.arange(BAND_POINTS) + 0.5) / BAND_POINTS - 0.5
    points = centres[:, None] + spread * erb_bandwidth(centres)[:, None]
    points = np.maximum(points, 0.5 * centres[:, None]).ravel()
    maps = np.stack(
        [
            covariance_map(speaker_responses(points, aside))
            .reshape(4, 4, len(centres), BAND_POINTS)
            .mean(-1)
            for aside in HEAD_POSITIONS
        ]
    )
    level: FloatArray = maps / (maps[0, 0, 0] + maps[0, 0, 1])
    level.setflags(write=False)
    return level
