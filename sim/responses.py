"""What each microphone hears of one instrument: the impulse responses of a seat.

A response is an early part (the direct sound and mirror reflections until 80 ms after it, exact)
and a late part (decaying noise, level and coherence by theory). Both share one time origin, the
moment of emission, and one length.

*Conventions*: responses (mic, tap); amplitude 1 at 1 m on the instrument's axis; s, Hz.

`simulate`: both parts. `early_responses`: the early part alone, short, for tables.
`late_field`: level and coherence of the late part without any noise, for tables.
`longest_response`: how long any response of a room can be.

Sources
-------
See `sim.reflections` (image method), `sim.tail` and `sim.decay` (energy theory of Barron & Lee).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.coherence import diffuse_coherence, diffuse_power
from sim.decay import decay_time, late_energy
from sim.filters import blocking_energy
from sim.images import REFLECTION_OCTAVES
from sim.microphones import Microphone
from sim.reflections import EARLY, HANDOVER, RING, Arrivals, arrivals, assemble
from sim.room import Room
from sim.source import Source
from sim.tail import radiated, tail

__all__ = [
    "EarlyResponses",
    "ImpulseResponses",
    "LateField",
    "decay_time",
    "early_responses",
    "late_field",
    "longest_response",
    "simulate",
]

FloatArray = NDArray[np.floating[Any]]
ComplexArray = NDArray[np.complexfloating[Any, Any]]

LENGTH = 1.05
"""Length of the late part in reverberation times of the slowest band: a decay of 63 dB."""

FADE = 0.020
"""Fade at the very end of early and late parts, s."""


@dataclass(frozen=True, slots=True)
class ImpulseResponses:
    """Responses of one seat.

    Attributes
    ----------
    early : (mic, tap) direct sound and reflections within 80 ms of it
    late : (mic, tap) the rest
    sample_rate : Hz
    direct_delay : (mic,) s, arrival of the direct sound
    """

    early: FloatArray
    late: FloatArray
    sample_rate: float
    direct_delay: FloatArray


@dataclass(frozen=True, slots=True)
class EarlyResponses:
    """Early parts of one seat, no longer than needed.

    Attributes
    ----------
    early : (mic, tap)
    sample_rate : Hz
    direct_delay : (mic,) s
    """

    early: FloatArray
    sample_rate: float
    direct_delay: FloatArray


@dataclass(frozen=True, slots=True)
class LateField:
    """What the late parts of one seat amount to on average.

    Attributes
    ----------
    level : (mic, band) energy of the response, its squared spectrum
    coherence : (mic, mic, band) complex, <H_i conj(H_j)> / sqrt(level_i level_j)
    centres : (band,) Hz
    """

    level: FloatArray
    coherence: ComplexArray
    centres: FloatArray


def _early(
    room: Room, source: Source, microphones: Sequence[Microphone], sample_rate: float
) -> tuple[FloatArray, Arrivals]:
    """Early parts, faded out after the last filter has rung, and their arrivals."""
    found = arrivals(room, source, microphones)
    last = float(found.direct_delay.max()) + EARLY + HANDOVER + RING
    taps = int(np.ceil(last * sample_rate))
    early = assemble(room, found, taps=taps, sample_rate=sample_rate)
    return _faded(early, sample_rate), found


def _faded(responses: FloatArray, sample_rate: float) -> FloatArray:
    """Responses with a raised-cosine end."""
    count = min(int(FADE * sample_rate), responses.shape[1])
    fade = 0.5 * (1.0 + np.cos(np.pi * np.arange(1, count + 1) / count))
    return np.concatenate([responses[:, :-count], responses[:, -count:] * fade], axis=1)


def early_responses(
    room: Room, source: Source, microphones: Sequence[Microphone], *, sample_rate: float
) -> EarlyResponses:
    """Early part alone, equal to that of `simulate`.

    Parameters
    ----------
    room : Room
    source : Source
    microphones : sequence of Microphone
    sample_rate : float
        Hz.

    Returns
    -------
    EarlyResponses

    Raises
    ------
    ValueError
        If the source or a microphone lies outside the room.
    """
    early, found = _early(room, source, microphones, sample_rate)
    return EarlyResponses(early, sample_rate, found.direct_delay)


def simulate(
    room: Room,
    source: Source,
    microphones: Sequence[Microphone],
    *,
    sample_rate: float,
    seed: int,
) -> ImpulseResponses:
    """Impulse responses of one seat at each microphone.

    Parameters
    ----------
    room : Room
    source : Source
    microphones : sequence of Microphone
    sample_rate : float
        Hz.
    seed : int
        Mixed with the seat; equal arguments give equal responses.

    Returns
    -------
    ImpulseResponses

    Raises
    ------
    ValueError
        If the source or a microphone lies outside the room.
    """
    early, found = _early(room, source, microphones, sample_rate)
    slowest = float(decay_time(room, REFLECTION_OCTAVES).max())
    end = float(found.direct_delay.max()) + EARLY + LENGTH * slowest
    taps = max(early.shape[1], int(np.ceil(end * sample_rate)))
    late = tail(
        room,
        source,
        microphones,
        direct_delay=found.direct_delay,
        taps=taps,
        sample_rate=sample_rate,
        seed=seed,
    )
    padded = np.zeros((len(microphones), taps))
    padded[:, : early.shape[1]] = early
    return ImpulseResponses(padded, _faded(late, sample_rate), sample_rate, found.direct_delay)


def longest_response(room: Room) -> float:
    """How long a response of `simulate` can be at the most, wherever source and microphone are.

    Parameters
    ----------
    room : Room

    Returns
    -------
    float
        s: by then the slowest octave has decayed by more than 60 dB, and nothing is left.
    """
    slowest = float(decay_time(room, REFLECTION_OCTAVES).max())
    far = float(np.linalg.norm(room.dimensions)) / room.sound_speed
    return far + EARLY + max(LENGTH * slowest, HANDOVER + RING)


def late_field(
    room: Room, source: Source, microphones: Sequence[Microphone], *, centres: FloatArray
) -> LateField:
    """Level and coherence of the late part that `simulate` gives on average.

    Parameters
    ----------
    room : Room
    source : Source
    microphones : sequence of Microphone
    centres : (band,) FloatArray
        Hz.

    Returns
    -------
    LateField

    Raises
    ------
    ValueError
        If the source or a microphone lies outside the room.
    """
    capsules = room.placed(np.array([m.position for m in microphones]), "microphone")
    middle = room.placed(np.asarray(source.position), "seat")
    direct = np.linalg.norm(capsules - middle, axis=-1) / room.sound_speed
    level = late_energy(room, direct, centres) * diffuse_power(microphones)[:, None]
    level = level * radiated(source, centres, speed=room.sound_speed) * blocking_energy(centres)
    coherence = diffuse_coherence(microphones, centres, speed=room.sound_speed)
    return LateField(level, coherence, np.asarray(centres, dtype=np.float64))
