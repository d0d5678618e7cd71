"""Gains of every track's microphone positions as a Standard MIDI File.

A template's own volume and pan (controllers 7 and 10) stay untouched, unless the cue file asks for
them: by default only the gains of microphone positions are written, each on a controller that MIDI
leaves undefined.

*Conventions*: gains in dB; pan -1 to 1; width 1 as it is. One MIDI channel a track, in cue order;
16 tracks a file, because a MIDI port has 16 channels. All gains follow one law, 40 log10 of the
value's ratio, 100 for 0 dB; 0 is off.

`gain_value`, `pan_value`, `width_value`: numbers to controllers. `settings`: of every track.
`controller_files`: bytes of every file. `shift_db`: what all gains share so that they fit.

Sources
-------
MIDI 1.0 Detailed Specification: control change. Standard MIDI Files 1.0 (RP-001). RP-036, Default
Pan Formula: constant power over values 1 to 127. General MIDI Level 1 Developer Guidelines (1998):
volume in dB is 40 log10(value / 127), 100 the value after power-up; taken over for all gains.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from placer.result.facts import pairs
from placer.result.model import Mix, PlacedTrack, Result, TrackTriple

UNITY = 100
"""Value of a gain of 0 dB."""
HIGHEST_DB = 40.0 * math.log10(127.0 / UNITY)
CHANNELS = 16
DIVISION = 480
"""Ticks a quarter note."""


@dataclass(frozen=True, slots=True)
class ControllerValues:
    """Controllers of one track.

    Attributes
    ----------
    name : of the track
    file, channel : which file (from 0) and which of its channels (from 0)
    values : what is set to controller value, in the order of the chosen controllers
    """

    name: str
    file: int
    channel: int
    values: Mapping[str, int]


def pan_value(pan: float) -> int:
    """Controller value of a constant-power pan: 1 left, 64 centre, 127 right.

    RP-036: the angle is 90 degrees (value - 1) / 126; ours is 45 degrees (pan + 1).

    Examples
    --------
    >>> pan_value(-1.0), pan_value(0.0), pan_value(1.0)
    (1, 64, 127)
    """
    return max(1, min(127, round(1.0 + 63.0 * (pan + 1.0))))


def width_value(width: float) -> int:
    """Controller value of a width: 0 mono, 64 as it is, 127 about twice as wide.

    Examples
    --------
    >>> width_value(0.0), width_value(1.0), width_value(2.0)
    (0, 64, 127)
    """
    return max(0, min(127, round(64.0 * width)))


def gain_value(gain_db: float | None) -> int:
    """Controller value of a gain: 100 for 0 dB, 0 for off (None).

    Examples
    --------
    >>> gain_value(0.0), gain_value(-40.0 * math.log10(2.0)), gain_value(None)
    (100, 50, 0)
    """
    if gain_db is None:
        return 0
    return max(1, min(127, round(UNITY * math.pow(10.0, gain_db / 40.0))))


def shift_db(result: Result, mix: Mix, controllers: Mapping[str, int]) -> float:
    """Gain, 0 or less, that all written gains share so that the largest fits into 127."""
    gains = [
        gain
        for _, _, after in _placed(result, mix)
        for what in controllers
        if isinstance(gain := _wanted(after, what)[0], float)
    ]
    return float(min(0.0, HIGHEST_DB - max(gains, default=0.0)))


def settings(result: Result, mix: Mix, controllers: Mapping[str, int]) -> list[ControllerValues]:
    """Controllers of every track that the cue does not play as it is.

    Parameters
    ----------
    result : Result
    mix : Mix
    controllers : mapping
        Position, or one of make_up, pan and width, to controller number.
    """
    shift = shift_db(result, mix, controllers)
    return [
        ControllerValues(
            name=track.name,
            file=index // CHANNELS,
            channel=index % CHANNELS,
            values={what: _value(after, what, shift) for what in controllers if _has(after, what)},
        )
        for index, (track, _, after) in enumerate(_placed(result, mix))
    ]


def _placed(result: Result, mix: Mix) -> list[TrackTriple]:
    """Tracks that have a placement."""
    return [three for three in pairs(result, mix) if three[0].kind != "direct"]


def _has(after: PlacedTrack, what: str) -> bool:
    """Whether a track has what a controller is for."""
    return what in ("make_up", "pan", "width") or what in after.blend_db


def _wanted(after: PlacedTrack, what: str) -> tuple[float | None, bool]:
    """Gain in dB that a controller is for, None where that is no gain or off; whether it is one."""
    if what == "make_up":
        return float(after.make_up_db), True
    gain = after.blend_db.get(what)
    return (None if gain is None else float(gain)), what in after.blend_db


def _value(after: PlacedTrack, what: str, shift: float) -> int:
    """Value of one controller of a track."""
    gain, is_gain = _wanted(after, what)
    if is_gain:
        return gain_value(None if gain is None else gain + shift)
    return pan_value(after.pan) if what == "pan" else width_value(after.width)


def controller_files(result: Result, mix: Mix, controllers: Mapping[str, int]) -> list[bytes]:
    """Give one Standard MIDI File (format 1) for every 16 tracks.

    Parameters
    ----------
    result : Result
    mix : Mix
    controllers : mapping
        Position, or one of make_up, pan and width, to controller number.

    Returns
    -------
    list of bytes
        Each with a tempo track and one track a channel, all controllers at time zero.
    """
    everything = settings(result, mix, controllers)
    files = []
    for first in range(0, len(everything), CHANNELS):
        group = everything[first : first + CHANNELS]
        title = f"{result.cue.name}: mix {mix.rank}"
        chunks = [_track(_meta(0x03, _text(title)) + _meta(0x51, (500_000).to_bytes(3, "big")))]
        for one in group:
            chunks.append(_track(_meta(0x03, _text(one.name)) + _messages(one, controllers)))
        head = b"MThd" + (6).to_bytes(4, "big")
        head += b"".join(value.to_bytes(2, "big") for value in (1, len(chunks), DIVISION))
        files.append(head + b"".join(chunks))
    return files


def _messages(one: ControllerValues, controllers: Mapping[str, int]) -> bytes:
    """All controllers of a track at once."""
    return b"".join(
        bytes((0, 0xB0 | one.channel, controllers[what], value))
        for what, value in one.values.items()
    )


def _text(text: str) -> bytes:
    """Text as readers of these files expect it; other letters become question marks."""
    return text.encode("latin-1", "replace")


def _meta(kind: int, data: bytes) -> bytes:
    """One meta event at once."""
    return bytes((0, 0xFF, kind)) + _length(len(data)) + data


def _length(value: int) -> bytes:
    """A variable-length quantity: seven bits a byte, the highest first."""
    found = [value & 0x7F]
    while value := value >> 7:
        found.append(0x80 | (value & 0x7F))
    return bytes(reversed(found))


def _track(events: bytes) -> bytes:
    """A track chunk that ends a quarter note after its events."""
    body = events + _length(DIVISION) + b"\xff\x2f\x00"
    return b"MTrk" + len(body).to_bytes(4, "big") + body
