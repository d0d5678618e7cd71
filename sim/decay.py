"""How the late part of a room decays in each band, and how strong it is.

*Conventions*: s, Hz; energies in the scale where the direct sound of an even source has 1 / r^2.

`decay_time`: T60 of the late part at any frequency.
`late_energy`: energy per microphone and band of the late part, by the energy theory.

Sources
-------
Barron & Lee (1988), J. Acoust. Soc. Am. 84, 618-628: the reflected field at a seat decays from
the moment of emission, so that what is left after t is (4 pi c / V)(T / DECAY) exp(-DECAY t / T);
with 343 m/s that is their 312 T / V (31200 T / V re 10 m).
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.images import REFLECTION_OCTAVES
from sim.reflections import EARLY, HANDOVER
from sim.reverberation import DECAY
from sim.room import Room

FloatArray = NDArray[np.floating[Any]]


@lru_cache(maxsize=64)
def _tail_times(room: Room) -> FloatArray:
    """T60 of the late part in `REFLECTION_OCTAVES`, s."""
    times: FloatArray = room.eyring_time()
    return times


def decay_time(room: Room, centres: FloatArray) -> FloatArray:
    """T60 of the late part at each frequency.

    Between octave centres the loss at the walls is interpolated over log frequency; the loss in
    the air is taken at each frequency itself.

    Parameters
    ----------
    room : Room
    centres : (band,) FloatArray
        Hz.

    Returns
    -------
    (band,) FloatArray
        s.
    """
    frequency = np.asarray(centres, dtype=np.float64)
    speed = room.sound_speed
    walls = DECAY / _tail_times(room) - speed * room.air(REFLECTION_OCTAVES)  # nepers a second
    octave = np.log2(np.maximum(frequency, 1.0))
    loss = np.interp(octave, np.log2(REFLECTION_OCTAVES), walls) + speed * room.air(frequency)
    times: FloatArray = DECAY / loss
    return times


def late_energy(room: Room, direct_delay: FloatArray, centres: FloatArray) -> FloatArray:
    """Energy of the late part for an even source and omnidirectional microphones.

    Parameters
    ----------
    room : Room
    direct_delay : (mic,) FloatArray
        Arrival of the direct sound, s.
    centres : (band,) FloatArray
        Hz.

    Returns
    -------
    (mic, band) FloatArray
        Energy from `EARLY` after the direct sound on, with the hand-over's shape: the integral
        of `late_weight` times the decaying density.

    References
    ----------
    Barron & Lee (1988), eq. for late energy; the hand-over factor is its integral over a raised
    cosine: k^2 cosh(b d) / (k^2 + b^2), b = DECAY / T, d = `HANDOVER`, k = pi / (2 d).
    """
    rate = DECAY / decay_time(room, centres)  # 1/s
    density = 4.0 * np.pi * room.sound_speed / room.volume  # 1/s
    left = density / rate * np.exp(-rate * (np.asarray(direct_delay)[:, None] + EARLY))
    slope = 0.5 * np.pi / HANDOVER
    shape = slope**2 * np.cosh(rate * HANDOVER) / (slope**2 + np.square(rate))
    energy: FloatArray = left * shape
    return energy
