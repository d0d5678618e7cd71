"""What reaches each microphone directly and by mirror reflections, and how that becomes samples.

*Conventions*: t = 0 is the moment of emission; amplitude 1 (0 dB) at 1 m from an instrument on
its axis, falling as 1 / r; times in s. Arrivals are flat lists over all microphones.

`arrivals`: every arrival, its delay, amplitude and octave gains.
`assemble`: arrivals -> responses (mic, tap).
`early_weight`, `late_weight`: how the early part hands over to the late part in energy.

Sources
-------
Allen & Berkley (1979), J. Acoust. Soc. Am. 65, 943-950: images; amplitude 1 / r as pyroomacoustics.
ISO 3382-1:2009, A.2.3: 80 ms after the direct sound as the limit of early energy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.directivity import axis, shading
from sim.filters import bank, block
from sim.images import REFLECTION_OCTAVES, lattice
from sim.microphones import Microphone
from sim.room import Room
from sim.source import Source, players, shares, spread

FloatArray = NDArray[np.floating[Any]]

EARLY = 0.080
"""End of early energy after the direct sound, s (ISO 3382-1, A.2.3)."""

HANDOVER = 0.005
"""Half the time in which early hands over to late, s."""

RING = 0.050
"""Time left for the filters to ring out after the last arrival, s."""

NEAREST = 0.1
"""Amplitude grows no further nearer than this, m."""

KERNEL_TAPS = 24
"""Length of the fractional-delay kernel: a Kaiser-windowed sinc."""

KERNEL_PHASES = 1024
"""Fractions of a sample that the kernel is tabled for."""

REACH_STEP = 8.0
"""Image lists are made for multiples of this, so that neighbouring seats share one, m."""


@dataclass(frozen=True, slots=True)
class Arrivals:
    """Everything that arrives.

    Attributes
    ----------
    microphone : (arrival,) index
    delay : (arrival,) s
    amplitude : (arrival,) signed: 1 / r and the microphone's pattern
    gains : (arrival, octave) walls and directivity, all positive
    distance : (arrival,) m of air
    order : (arrival,) number of reflections; 0 is direct
    direct_delay : (mic,) s, from the middle of the source
    """

    microphone: NDArray[np.int64]
    delay: FloatArray
    amplitude: FloatArray
    gains: FloatArray
    distance: FloatArray
    order: NDArray[np.int64]
    direct_delay: FloatArray


def early_weight(after: FloatArray) -> FloatArray:
    """Share of energy that counts as early, `after` s after the direct sound."""
    phase = np.clip((after - EARLY) / HANDOVER, -1.0, 1.0)
    weight: FloatArray = 0.5 * (1.0 - np.sin(0.5 * np.pi * phase))
    return weight


def late_weight(after: FloatArray) -> FloatArray:
    """Share of energy that counts as late: the rest."""
    return 1.0 - early_weight(after)


def arrivals(
    room: Room,
    source: Source,
    microphones: Sequence[Microphone],
    *,
    order: int | None = None,
) -> Arrivals:
    """List what arrives at each microphone.

    Parameters
    ----------
    room : Room
    source : Source
    microphones : sequence of Microphone
    order : int, optional
        Take every image up to this order; without it, those within the early window, weighted
        by `early_weight`.

    Returns
    -------
    Arrivals

    Raises
    ------
    ValueError
        If the source or a microphone lies outside the room.
    """
    capsules = room.placed(np.array([m.position for m in microphones]), "microphone")
    middle = room.placed(np.asarray(source.position), "seat")
    direct = np.linalg.norm(capsules - middle, axis=-1) / room.sound_speed
    points = _inside(room, players(source))
    absorption = tuple(map(tuple, room.absorption().tolist()))
    if order is None:
        reach = room.sound_speed * (float(direct.max()) + EARLY + HANDOVER)
        reach = REACH_STEP * np.ceil((reach + 0.5 * source.width) / REACH_STEP)
        images = lattice(room.dimensions, absorption, reach=float(reach))
    else:
        images = lattice(room.dimensions, absorption, order=order)
    places = images.signs * points[:, None, :] + images.shifts  # (player, image, 3)
    distance = np.linalg.norm(places - capsules[:, None, None, :], axis=-1)
    after = distance / room.sound_speed - direct[:, None, None]
    kept = np.ones_like(after) if order is not None else np.sqrt(early_weight(after))
    kept[:, 1:, 0] = 0.0  # the direct sound of a section comes from its middle
    mic, player, image = np.nonzero(kept > 0.0)
    far = distance[mic, player, image]
    toward = (places[player, image] - capsules[mic]) / np.maximum(far, 1e-9)[:, None]
    leaving = -images.signs[image] * toward  # as seen from the instrument itself
    amplitude = kept[mic, player, image] * _taken(microphones, mic, toward)
    share = np.where(image[:, None] == 0, 1.0, shares(len(points))[player])
    found = Arrivals(
        microphone=mic,
        delay=far / room.sound_speed,
        amplitude=amplitude / np.maximum(far, NEAREST),
        gains=images.damping[image] * _directed(room, source, leaving) * share,
        distance=far,
        order=images.orders[image],
        direct_delay=direct,
    )
    if len(points) == 1:
        return found
    ends = distance[:, -2:, 0] / room.sound_speed  # outermost players, left and right
    return _spread_out(found, ends[:, 1] - ends[:, 0])


def _taken(
    microphones: Sequence[Microphone], mic: NDArray[np.int64], toward: FloatArray
) -> FloatArray:
    """Amplitude each microphone takes in from a direction: p + (1 - p) cos(angle); (arrival,)."""
    pattern = np.array([m.pattern for m in microphones])[mic]
    aim = np.array([m.aim for m in microphones])[mic]
    taken: FloatArray = pattern + (1.0 - pattern) * np.sum(aim * toward, axis=-1)
    return taken


def _directed(room: Room, source: Source, leaving: FloatArray) -> FloatArray:
    """Octave gains of the instrument in each direction; (arrival, octave)."""
    behind = 0.5 * (1.0 - leaving @ axis(source.family, np.asarray(source.position)))
    shade = shading(source.family, REFLECTION_OCTAVES, speed=room.sound_speed)
    gains: FloatArray = 1.0 - behind[:, None] * shade
    return gains


def _inside(room: Room, points: FloatArray) -> FloatArray:
    """Room coordinates of the players; those beyond a wall are moved just inside it."""
    moved = points + np.array([0.5 * room.width, room.conductor, 0.0])
    limit = np.asarray(room.dimensions) - 0.2
    inside: FloatArray = np.clip(moved, 0.2, limit) if len(points) > 1 else moved
    return inside


def _spread_out(found: Arrivals, steps: FloatArray) -> Arrivals:
    """Turn the direct sound of a section into the echoes of its all-pass."""
    direct = np.nonzero(found.order == 0)[0]
    delays, amplitudes = spread(steps)
    rest = np.nonzero(found.order > 0)[0]
    chosen = np.concatenate([rest, np.repeat(direct, len(amplitudes))])
    late = delays[found.microphone[direct]].ravel()
    factor = np.tile(amplitudes, len(direct))
    return Arrivals(
        microphone=found.microphone[chosen],
        delay=found.delay[chosen] + np.concatenate([np.zeros(len(rest)), late]),
        amplitude=found.amplitude[chosen] * np.concatenate([np.ones(len(rest)), factor]),
        gains=found.gains[chosen],
        distance=found.distance[chosen],
        order=found.order[chosen],
        direct_delay=found.direct_delay,
    )


@lru_cache(maxsize=1)
def _kernels() -> FloatArray:
    """Windowed-sinc kernels, one a fraction of a sample; shape (phase, tap)."""
    fractions = np.arange(KERNEL_PHASES + 1) / KERNEL_PHASES
    steps = np.arange(KERNEL_TAPS) - (KERNEL_TAPS // 2 - 1) - fractions[:, None]
    inside = np.clip(1.0 - np.square(steps / (KERNEL_TAPS / 2)), 0.0, None)
    kernels = np.sinc(steps) * np.i0(8.0 * np.sqrt(inside)) / np.i0(8.0)
    normed: FloatArray = kernels / kernels.sum(axis=1, keepdims=True)
    normed.setflags(write=False)
    return normed


def assemble(room: Room, found: Arrivals, *, taps: int, sample_rate: float) -> FloatArray:
    """Turn arrivals into impulse responses.

    Parameters
    ----------
    room : Room
        Whose air they come through.
    found : Arrivals
    taps : int
        Length of the responses.
    sample_rate : float
        Hz.

    Returns
    -------
    (mic, tap) FloatArray
        Causal filters only; the delay kernel reaches 12 samples ahead of an arrival.
    """
    members = bank(sample_rate, room.temperature, room.humidity)
    weights = members.weights(found.gains, found.distance) * found.amplitude[:, None]
    laid = _laid(found, weights, taps=taps, sample_rate=sample_rate)
    return block(members.applied(laid), sample_rate)


def _laid(found: Arrivals, weights: FloatArray, *, taps: int, sample_rate: float) -> FloatArray:
    """Lay weighted arrivals at fractions of samples; (mic, tap, member)."""
    from scipy.sparse import csc_matrix

    rows = len(found.direct_delay)
    place = found.delay * sample_rate
    start = np.floor(place).astype(np.int64)
    phase = np.rint((place - start) * KERNEL_PHASES).astype(np.int64)
    index = start[:, None] + np.arange(KERNEL_TAPS) - (KERNEL_TAPS // 2 - 1)
    data = np.where((index >= 0) & (index < taps), _kernels()[phase], 0.0)
    slots = np.clip(index, 0, taps - 1) + found.microphone[:, None] * taps
    pointers = np.arange(len(place) + 1) * KERNEL_TAPS
    matrix = csc_matrix((data.ravel(), slots.ravel(), pointers), shape=(rows * taps, len(place)))
    laid: FloatArray = (matrix @ weights).reshape(rows, taps, -1)
    return laid
