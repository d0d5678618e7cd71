"""How would the demo's parts sound as recordings with several microphone positions.

Each dry stem is played in a room and before arrays that differ from the tool's defaults on
purpose: a composer's recordings never come from the tool's own room. As in real collections of
recordings, some instruments have four positions, some two or three, and some call them
differently ("spot", "hall"). The low drum is one finished stereo file.

*Conventions*: stage coordinates in m (conductor at the origin, x right, y back); audio
(channel, frame), float32. Close positions are mono, all others stereo; the tree's centre goes to
both sides at -3 dB.

`record`: one stem to its positions. `RECORDINGS`: where each part sits and which positions exist.

Sources
-------
Seats follow the usual seating of an orchestra (common practice, no source); the room's
reverberation times are invented within what is usual for a large recording room. Acoustics: `sim`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from demo.tone import SAMPLE_RATE
from sim.microphones import Arrays, Close, Microphone, Pair, Tree
from sim.responses import simulate
from sim.room import Room
from sim.source import Source

FloatArray = NDArray[np.floating[Any]]

ROOM = Room(
    width=23.0,
    depth=37.0,
    height=12.5,
    conductor=21.0,
    reverberation_time=(2.1, 2.0, 1.9, 1.8, 1.65, 1.35, 0.95),
    surfaces=None,
    temperature=19.0,
    humidity=45.0,
)
"""Invented recording room."""

ARRAYS = Arrays(
    tree=Tree(spacing=1.6, forward=0.9, height=3.0, y=-0.6, pattern=1.0),
    outriggers=Pair(spacing=9.0, height=3.3, y=0.2, pattern=1.0, aim_deg=0.0),
    hall=Pair(spacing=7.0, height=5.5, y=-10.0, pattern=1.0, aim_deg=0.0),
    close=Close(distance=1.3, height=1.9, angle_deg=25.0, pattern=0.5),
)
"""Invented arrays; not the defaults of the tool."""

PREAMPLIFIER_DB = {"close": -6.0, "tree": 0.0, "outriggers": 2.0, "hall": 3.0}
"""Gain of each array, the same for all parts, so that usual blends stay near 0 dB."""

CENTRE = 0.5**0.5
"""Gain of the tree's centre in each side: -3 dB."""

GROUPS = {"spot": "close"}
"""Other names of positions."""


@dataclass(frozen=True, slots=True)
class Recording:
    """How one part was recorded.

    Attributes
    ----------
    seat : (x, y) in m
    width : m over which the players sit
    family : whose directivity the instruments have
    positions : names of the microphone positions that exist; none: one finished stereo file
    """

    seat: tuple[float, float]
    width: float
    family: str
    positions: tuple[str, ...]


ALL = ("close", "tree", "outriggers", "hall")

RECORDINGS: dict[str, Recording] = {
    "ostinato": Recording((3.6, 2.2), 3.0, "strings", ALL),
    "bed": Recording((3.9, 3.6), 3.0, "strings", ("close", "tree", "hall")),
    "basses": Recording((6.4, 4.8), 3.0, "strings", ("close", "tree", "outriggers")),
    "horns": Recording((-4.0, 7.8), 3.0, "horns", ALL),
    "violins": Recording((-4.2, 3.0), 5.0, "strings", ALL),
    "violas": Recording((1.6, 4.0), 3.0, "strings", ("spot", "hall")),
    "choir": Recording((0.0, 13.2), 11.0, "voices", ("tree", "hall")),
    "bassoons": Recording((1.2, 7.4), 1.6, "woodwinds", ("spot", "tree")),
    "trombones": Recording((3.6, 9.2), 2.6, "brass", ALL),
    "timpani": Recording((-1.0, 10.4), 1.8, "percussion", ("close", "tree", "hall")),
    "drum": Recording((-3.4, 10.8), 1.4, "percussion", ()),
    "woodwinds": Recording((-0.8, 6.4), 2.4, "woodwinds", ("spot", "tree", "hall")),
}
"""How each part of the demo was recorded."""


def _sources(recording: Recording, channels: int) -> tuple[Source, ...]:
    """One source for a mono stem; the two halves of the section for a stereo one."""
    (x, y), width = recording.seat, recording.width
    if channels == 1:
        return (Source(position=(x, y), width=width, family=recording.family),)
    return tuple(
        Source(position=(x + side * width / 4.0, y), width=width / 2.0, family=recording.family)
        for side in (-1.0, 1.0)
    )


def _signals(
    stem: FloatArray,
    recording: Recording,
    microphones: tuple[Microphone, ...],
    *,
    room: Room,
    seed: int,
) -> FloatArray:
    """What each microphone records of a stem; (mic, frame), as long as the stem."""
    frames = stem.shape[1]
    total = np.zeros((len(microphones), frames), dtype=np.float32)
    for side, source in enumerate(_sources(recording, stem.shape[0])):
        heard = simulate(room, source, microphones, sample_rate=SAMPLE_RATE, seed=seed + side)
        size = max(heard.early.shape[1], heard.late.shape[1])
        taps = np.zeros((len(microphones), size), dtype=np.float32)
        taps[:, : heard.early.shape[1]] += heard.early.astype(np.float32)
        taps[:, : heard.late.shape[1]] += heard.late.astype(np.float32)
        length = fft.next_fast_len(frames + size, real=True)
        spectrum = fft.rfft(stem[side].astype(np.float32), length)
        for index, tap in enumerate(taps):
            total[index] += fft.irfft(spectrum * fft.rfft(tap, length), length)[:frames]
    return total


def _stereo(signals: FloatArray, microphones: tuple[Microphone, ...]) -> FloatArray:
    """Left and right of one array: side -1 left, 1 right, 0 both at -3 dB."""
    left = [1.0 if m.side < 0 else 0.0 if m.side > 0 else CENTRE for m in microphones]
    right = [1.0 if m.side > 0 else 0.0 if m.side < 0 else CENTRE for m in microphones]
    return (np.array([left, right], dtype=np.float32) @ signals).astype(np.float32)


def record(
    stem: FloatArray, recording: Recording, *, seed: int, room: Room = ROOM, arrays: Arrays = ARRAYS
) -> dict[str, FloatArray]:
    """Play a dry stem in a recording room and return its microphone positions.

    Parameters
    ----------
    stem : (channel, frame) FloatArray
        Dry, mono or stereo.
    recording : Recording
        Where it sits and which positions are wanted.
    seed : int
        Of the late reverberation.
    room, arrays : Room, Arrays
        Where it is recorded.

    Returns
    -------
    dict[str, (channel, frame) FloatArray]
        Position to signal, as long as the stem; the key "" holds the finished stereo file of a
        part without positions. The tree, or what stands for it, has the level (rms) of the stem.
    """
    microphones = (arrays.close_at(recording.seat), *arrays.shared())
    signals = _signals(stem, recording, microphones, room=room, seed=seed)
    heard: dict[str, FloatArray] = {}
    for array, gain_db in PREAMPLIFIER_DB.items():
        chosen = [index for index, m in enumerate(microphones) if m.group == array]
        part = signals[chosen]
        if array != "close":
            part = _stereo(part, tuple(microphones[index] for index in chosen))
        heard[array] = part * np.float32(10.0 ** (gain_db / 20.0))
    if not recording.positions:  # a finished stereo file: the tree and a little of the close one
        found = {"": (heard["tree"] + 0.5 * heard["close"]).astype(np.float32)}
    else:
        found = {name: heard[GROUPS.get(name, name)] for name in recording.positions}
    leading = (found["tree"],) if "tree" in found else tuple(found.values())
    power = sum(float(np.mean(part**2)) for part in leading)
    level = np.float32(np.sqrt(float(np.mean(stem**2)) / power))
    return {name: part * level for name, part in found.items()}
