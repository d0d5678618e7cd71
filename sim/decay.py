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

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.bands import OCTAVES
from sim.decibel import energy_db
from sim.images import REFLECTION_OCTAVES
from sim.microphones import Microphone
from sim.parameters import octave
from sim.reflections import EARLY, HANDOVER, arrivals, assemble
from sim.reverberation import DECAY
from sim.room import Room
from sim.source import Source

FloatArray = NDArray[np.floating[Any]]

LISTENERS = (
    (0.37, 0.18, 0.30), (0.62, 0.31, 0.40), (0.81, 0.12, 0.25), (0.22, 0.40, 0.50),
    (0.47, 0.26, 0.22), (0.71, 0.43, 0.45), (0.15, 0.22, 0.35), (0.56, 0.36, 0.28),
)  # fmt: skip
"""Where the fit listens, as shares of the room's width, depth and height."""

PLAYERS = ((0.38, 0.60, 0.15), (0.57, 0.72, 0.12))
"""Where the fit plays, in the same shares."""

FILTER_DELAY = 3.864 / np.pi
"""Delay of the octave filter times its bandwidth: 3.864 is a 6th-order Butterworth's at 1 rad/s."""

FITTING_RATE = 48000.0
"""Sample rate of the responses that the fit listens to, Hz."""

FITTING_STEPS = 6
"""Rounds of the fit of decay times; each leaves a tenth of the error or less."""

SMALLEST_LOSS = 0.05
"""Walls always take something away, nepers a second."""


@lru_cache(maxsize=64)
def _wall_loss(room: Room) -> FloatArray:
    """Loss of the late part at the walls in `REFLECTION_OCTAVES`, nepers of energy a second.

    From Eyring's time; where times are wanted, fitted until the T30 of early and late part
    together meets them.
    """
    air = room.sound_speed * room.air(REFLECTION_OCTAVES)
    loss: FloatArray = DECAY / room.eyring_time() - air
    if room.reverberation_time is None:
        return loss
    wanted = np.asarray(room.reverberation_time, dtype=np.float64)
    heard = _listening(room, float(DECAY / (loss + air).min()))
    for _ in range(FITTING_STEPS):
        total = loss[: len(OCTAVES)] + air[: len(OCTAVES)]
        got = np.mean(_octave_times(room, heard, loss), axis=0)
        # the loss that is too small by a factor is multiplied by it, air included
        loss = total * got / wanted - air[: len(OCTAVES)]
        loss = np.maximum(np.append(loss, loss[-1]), SMALLEST_LOSS)
    return loss


@dataclass(frozen=True, slots=True)
class _Listening:
    """Early energy at `LISTENERS`: what is still to come at each moment."""

    moment: FloatArray  # (listener, step) s
    direct: FloatArray  # (listener,) s
    early: FloatArray  # (listener, step, octave)


def _listening(room: Room, longest: float) -> _Listening:
    """Hear players on the left and right of the stage from `LISTENERS`, early part only."""
    capsules = [Microphone(tuple(_share(room, place))) for place in LISTENERS]
    direct, heard = [], []
    for place in PLAYERS:
        found = arrivals(room, Source(tuple(_share(room, place))), capsules)
        last = float(found.direct_delay.max()) + 2.0 * EARLY
        taps = int(last * FITTING_RATE)
        heard.append(assemble(room, found, taps=taps, sample_rate=FITTING_RATE))
        direct.append(found.direct_delay)
    return _remaining(np.concatenate(direct), heard, longest)


def _share(room: Room, place: tuple[float, ...]) -> FloatArray:
    """Stage coordinates of a point given as shares of the room's width, depth and height."""
    corner = np.array([0.5 * room.width, room.conductor, 0.0])
    point: FloatArray = np.asarray(place) * room.dimensions - corner
    return point


def _remaining(direct: FloatArray, heard: list[FloatArray], longest: float) -> _Listening:
    """Energy still to come, octave by octave, on an even grid of moments after the direct."""
    taps = max(part.shape[1] for part in heard)
    responses = np.concatenate([np.pad(p, ((0, 0), (0, taps - p.shape[1]))) for p in heard])
    moment = direct[:, None] + np.linspace(0.0, 1.0, 400) * longest
    steps = np.minimum((moment * FITTING_RATE).astype(np.int64), taps - 1)
    early = np.empty((*moment.shape, len(OCTAVES)))
    for band, centre in enumerate(OCTAVES):
        band_heard = octave(responses, float(centre), sample_rate=FITTING_RATE)
        left = np.cumsum(np.square(band_heard[:, ::-1]), axis=1)[:, ::-1]
        width_share = FITTING_RATE / (np.sqrt(2.0) * centre)  # to energy of a full-width band
        early[:, :, band] = width_share * np.take_along_axis(left, steps, axis=1)
    return _Listening(moment, direct, early)


def _octave_times(room: Room, heard: _Listening, loss: FloatArray) -> FloatArray:
    """T30 of the expected energy decay at each listener in `OCTAVES`; (listener, octave)."""
    # a response is white: within an octave its energy lies evenly over linear frequency
    parts = np.sqrt(0.5) * (1.0 + (np.arange(9) + 0.5) / 9.0)
    rate = _rate(room, loss, (OCTAVES[:, None] * parts).ravel())
    lag = np.repeat(FILTER_DELAY / (OCTAVES * np.sqrt(0.5)), len(parts))
    start = np.maximum(heard.moment[:, :, None] - lag, heard.direct[:, None, None] + EARLY)
    late = 4.0 * np.pi * room.sound_speed / room.volume / rate * np.exp(-rate * start)
    late = late.reshape(*heard.moment.shape, len(OCTAVES), -1).mean(axis=3)
    curves = energy_db(heard.early + late)
    curves = curves - curves[:, :1]
    inside = (curves <= -5.0) & (curves >= -35.0)
    count = np.maximum(inside.sum(axis=1), 1)
    moment = np.where(inside, heard.moment[:, :, None], 0.0)
    mean = moment.sum(axis=1) / count
    around = np.where(inside, heard.moment[:, :, None] - mean[:, None], 0.0)
    times: FloatArray = -60.0 * np.square(around).sum(axis=1) / (around * curves).sum(axis=1)
    return times


def _rate(room: Room, loss: FloatArray, frequency: FloatArray) -> FloatArray:
    """Loss at walls (between octaves over log frequency) and in air, nepers a second."""
    octave = np.log2(np.maximum(frequency, 1.0))
    walls = np.interp(octave, np.log2(REFLECTION_OCTAVES), loss)
    rate: FloatArray = walls + room.sound_speed * room.air(frequency)
    return rate


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
    times: FloatArray = DECAY / _rate(room, _wall_loss(room), np.asarray(centres, np.float64))
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
