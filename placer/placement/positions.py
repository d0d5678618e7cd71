"""What each microphone position of a track holds: recorded files, or a simulated room.

A dry stem is heard by the microphones of a simulated room at a seat; a recorded track brings its
positions as files. Both give the sound of the same channels, and nothing after this module knows
which it was.

*Conventions*: sounds (channel, frame) at the cue's rate, as long as the analysed passage, channels
as in `placement.layout.Layout`. A simulated seat gives early and late sound apart; of a recording,
the early sound holds everything and the late sound is None (`placement.measured` estimates it).

`ChannelSound`: the sound of all channels. `sound_of`: that of a track. `simulated_sound`: that of a
dry one.

Sources
-------
See `sim.responses` for the acoustics. Border of the direct sound at 6 ms: Bronkhorst & Houtgast
(1999), Nature 397, 517-520.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft
from scipy.signal import correlate

from placer.cue.records import Cue, Track
from placer.placement.layout import DRY_FOLD, Layout
from sim.decibel import FloatArray
from sim.responses import ImpulseResponses, simulate
from sim.room import Room
from sim.source import Source

Seat = tuple[float, float]

WALL_DISTANCE = 0.5
"""Least distance of a player from a side wall, m."""

DIRECT_SECONDS = 0.006
"""Border of the direct sound after its arrival, s."""

CLOSE_NAMES = ("close", "spot", "near", "direct")
"""Names of positions taken to be the driest where a track has one of them."""

LONGEST_DELAY = 0.06
"""Longest delay looked for between a close position and the next, s (20 m of path)."""


@dataclass(frozen=True, slots=True)
class ChannelSound:
    """What the channels of a track hold in the analysed passage.

    Attributes
    ----------
    early : (channel, frame) float32; of a recording, everything
    late : (channel, frame) float32, or None where the two cannot be told apart by construction
    direct_share : (channel,) part of the early energy that is direct sound
    close_delay : s by which the close position has been delayed
    """

    early: FloatArray
    late: FloatArray | None
    direct_share: FloatArray
    close_delay: float

    @property
    def whole(self) -> FloatArray:
        """Early and late sound together, (channel, frame)."""
        return self.early if self.late is None else self.early + self.late


def response_seed(seed: int, track: Track) -> int:
    """Seed of a track's late field: from the cue's seed and the track's name, not from order."""
    return int.from_bytes(f"{seed}/{track.name}".encode(), "big") % (2**31 - 1)


def sources_at(room: Room, track: Track, seat: Seat, channels: int) -> tuple[Source, ...]:
    """Sources of a stem with one or two channels at a seat, inside the room's side walls."""
    if channels == 1:
        return (Source(position=seat, width=track.source_width, family=track.family),)
    half = track.source_width / 2.0
    reach = room.width / 2.0 - WALL_DISTANCE
    return tuple(
        Source(
            position=(min(max(seat[0] + side * half / 2.0, -reach), reach), seat[1]),
            width=half,
            family=track.family,
        )
        for side in (-1.0, 1.0)
    )


def seat_responses(cue: Cue, track: Track, seat: Seat, channels: int) -> list[ImpulseResponses]:
    """Responses of the close microphone and the shared arrays, one record a stem channel."""
    microphones = (cue.arrays.close_at(seat), *cue.arrays.shared())
    seed = response_seed(cue.search.seed, track)
    return [
        simulate(cue.room, source, microphones, sample_rate=cue.sample_rate, seed=seed + index)
        for index, source in enumerate(sources_at(cue.room, track, seat, channels))
    ]


def close_delay(responses: Sequence[ImpulseResponses]) -> float:
    """Delay in s that lets the close sound arrive with the earliest tree microphone."""
    arrival = np.mean([one.direct_delay for one in responses], axis=0)
    return max(0.0, float(np.min(arrival[1:4]) - arrival[0]))


def folded(
    responses: Sequence[ImpulseResponses], delay_frames: int
) -> list[tuple[FloatArray, FloatArray]]:
    """Early and late responses (7, tap) of the dry channels, the close one delayed."""
    return [
        (
            delayed((DRY_FOLD @ one.early).astype(np.float32), 1, delay_frames),
            delayed((DRY_FOLD @ one.late).astype(np.float32), 1, delay_frames),
        )
        for one in responses
    ]


def delayed(samples: FloatArray, channels: int, frames: int) -> FloatArray:
    """Copy of (channel, frame) samples with the first `channels` channels `frames` later."""
    moved = samples.copy()
    if frames > 0:
        moved[:channels, frames:] = samples[:channels, :-frames]
        moved[:channels, :frames] = 0.0
    return moved


def simulated_sound(
    cue: Cue, track: Track, samples: FloatArray, *, seat: Seat | None, aligned: bool
) -> ChannelSound:
    """Sound of a dry stem's channels at a seat of the simulated room.

    Parameters
    ----------
    cue : Cue
        With the arrays in use.
    samples : (1 or 2, frame) FloatArray
        The analysed passage.

    Raises
    ------
    ValueError
        There is no seat.
    """
    if seat is None:
        raise ValueError(f"track {track.name}: a dry track needs a seat")
    responses = seat_responses(cue, track, seat, len(samples))
    delay = close_delay(responses) if aligned else 0.0
    parts = folded(responses, round(delay * cue.sample_rate))
    early, late = (convolved(samples, [part[which] for part in parts]) for which in (0, 1))
    return ChannelSound(early, late, _direct_share(responses, cue.sample_rate), delay)


def convolved(stems: FloatArray, responses: Sequence[FloatArray]) -> FloatArray:
    """Sum over stem channels of each convolved with its responses, as long as the stem, float32.

    Parameters
    ----------
    stems : (source, frame) FloatArray
    responses : one (channel, tap) array a source
    """
    frames = stems.shape[-1]
    taps = max(_last(one) for one in responses)
    size = fft.next_fast_len(frames + taps - 1, real=True)
    total = None
    for stem, response in zip(stems.astype(np.float32), responses, strict=True):
        product = fft.rfft(stem, size) * fft.rfft(response[:, :taps].astype(np.float32), size)
        total = product if total is None else total + product
    heard: FloatArray = fft.irfft(total, size)[:, :frames]
    return heard


def _last(response: FloatArray) -> int:
    """Taps up to the last that is not silent, at least one."""
    heard = np.flatnonzero(response.any(axis=0))
    return int(heard[-1]) + 1 if heard.size else 1


def _direct_share(responses: Sequence[ImpulseResponses], sample_rate: float) -> FloatArray:
    """Part of each channel's early response energy within 6 ms of the direct sound, (7,)."""
    direct, early = np.zeros(len(DRY_FOLD)), np.zeros(len(DRY_FOLD))
    for one in responses:
        taps = np.arange(one.early.shape[-1]) / sample_rate
        inside = taps < one.direct_delay[:, None] + DIRECT_SECONDS
        direct += np.square(DRY_FOLD) @ np.square(one.early * inside).sum(-1)
        early += np.square(DRY_FOLD) @ np.square(one.early).sum(-1)
    share: FloatArray = direct / np.maximum(early, 1e-30)
    return share


def close_lag(layout: Layout, samples: FloatArray, sample_rate: int) -> float:
    """Delay in s that lets a first close position meet the next position, 0 where there is none.

    The lag of the largest cross-correlation between 0 and `LONGEST_DELAY`.
    """
    if len(layout.positions) < 2 or layout.positions[0].lower() not in CLOSE_NAMES:
        return 0.0
    first = samples[: layout.channels[0]].sum(axis=0)
    start = layout.channels[0]
    second = samples[start : start + layout.channels[1]].sum(axis=0)
    correlation = correlate(second, first, mode="full", method="fft")
    centre = first.size - 1
    most = min(round(LONGEST_DELAY * sample_rate), second.size - 1)
    return int(np.argmax(np.abs(correlation[centre : centre + most + 1]))) / sample_rate


def sound_of(
    cue: Cue, track: Track, layout: Layout, samples: FloatArray, *, seat: Seat | None, aligned: bool
) -> ChannelSound:
    """Sound of a track's channels: simulated at a seat, or as recorded.

    The close position of a recording is delayed where it is aligned.

    Parameters
    ----------
    samples : (channel, frame) FloatArray
        The analysed passage of all files, stacked in their order.

    Raises
    ------
    ValueError
        A dry track has no seat, or a recorded one has one.
    """
    if track.kind == "dry":
        return simulated_sound(cue, track, samples, seat=seat, aligned=aligned)
    if seat is not None:
        raise ValueError(f"track {track.name}: a recorded track has no seat")
    delay = close_lag(layout, samples, cue.sample_rate) if aligned else 0.0
    moved = delayed(samples, layout.channels[0], round(delay * cue.sample_rate))
    return ChannelSound(moved, None, np.ones(layout.count), delay)
