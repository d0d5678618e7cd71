"""Pan, volume and balance of every track as a Standard MIDI File.

A dry track's pan is that of a mono close position, so it goes out as controller 10 (pan); a
recorded track is stereo, so its pan goes out as controller 8 (balance); the other of the two is
sent at its centre. Controller 7 (volume) carries the make-up gain.

*Conventions*: pan -1 to 1; gains in dB against the reference. One MIDI channel a track, in cue
order; 16 tracks a file, because a MIDI port has 16 channels.

`pan_value`, `volume_value`: numbers to controllers. `controller_files`: bytes of every file.

Sources
-------
MIDI 1.0 Detailed Specification: controllers 7, 8 and 10. Standard MIDI Files 1.0 (RP-001).
RP-036, Default Pan Formula: constant power over values 1 to 127. General MIDI Level 1 Developer
Guidelines (1998): volume in dB is 40 log10(value / 127), 100 the value after power-up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from placer.result.facts import Facts, pairs

VOLUME, BALANCE, PAN = 7, 8, 10
CENTRE, USUAL_VOLUME = 64, 100
CHANNELS = 16
DIVISION = 480
"""Ticks a quarter note."""


@dataclass(frozen=True, slots=True)
class Setting:
    """Controllers of one track.

    Attributes
    ----------
    name : of the track
    file, channel : which file (from 0) and which of its channels (from 0)
    volume, balance, pan : controller values
    """

    name: str
    file: int
    channel: int
    volume: int
    balance: int
    pan: int


def pan_value(pan: float) -> int:
    """Controller value of a constant-power pan: 1 left, 64 centre, 127 right.

    RP-036: the angle is 90 degrees (value - 1) / 126; ours is 45 degrees (pan + 1).

    Examples
    --------
    >>> pan_value(-1.0), pan_value(0.0), pan_value(1.0)
    (1, 64, 127)
    """
    return max(1, min(127, round(1.0 + 63.0 * (pan + 1.0))))


def volume_value(gain_db: float) -> int:
    """Controller value of a gain where 0 dB is the value after power-up, 100.

    Examples
    --------
    >>> volume_value(0.0), volume_value(-40.0 * math.log10(2.0))
    (100, 50)
    """
    ratio = math.pow(10.0, gain_db / 40.0)
    return max(1, min(127, round(USUAL_VOLUME * ratio)))


def common_shift_db(result: Facts, mix: Facts) -> float:
    """Gain, 0 or less, that all volumes share so that the largest fits into 127."""
    headroom = 40.0 * math.log10(127.0 / USUAL_VOLUME)
    largest = max((after["make_up_db"] for _, _, after in pairs(result, mix)), default=0.0)
    return float(min(0.0, headroom - largest))


def settings(result: Facts, mix: Facts) -> list[Setting]:
    """Controllers of every track that the cue does not play as it is."""
    shift = common_shift_db(result, mix)
    found = []
    placed = [three for three in pairs(result, mix) if three[0]["kind"] != "direct"]
    for index, (track, _, after) in enumerate(placed):
        value = pan_value(after["pan"])
        dry = track["kind"] == "dry"
        found.append(
            Setting(
                name=track["name"],
                file=index // CHANNELS,
                channel=index % CHANNELS,
                volume=volume_value(after["make_up_db"] + shift),
                balance=CENTRE if dry else value,
                pan=value if dry else CENTRE,
            )
        )
    return found


def controller_files(result: Facts, mix: Facts) -> list[bytes]:
    """Give one Standard MIDI File (format 1) for every 16 tracks.

    Parameters
    ----------
    result, mix : dict
        Contents of result.json and one of its mixes.

    Returns
    -------
    list of bytes
        Each with a tempo track and one track a channel, all controllers at time zero.
    """
    everything = settings(result, mix)
    files = []
    for first in range(0, len(everything), CHANNELS):
        group = everything[first : first + CHANNELS]
        title = f"{result['cue']['name']}: mix {mix['rank']}"
        chunks = [_track(_meta(0x03, _text(title)) + _meta(0x51, (500_000).to_bytes(3, "big")))]
        chunks += [_track(_meta(0x03, _text(one.name)) + _messages(one)) for one in group]
        head = b"MThd" + (6).to_bytes(4, "big")
        head += b"".join(value.to_bytes(2, "big") for value in (1, len(chunks), DIVISION))
        files.append(head + b"".join(chunks))
    return files


def _messages(one: Setting) -> bytes:
    """Three controllers at once."""
    values = ((VOLUME, one.volume), (BALANCE, one.balance), (PAN, one.pan))
    return b"".join(bytes((0, 0xB0 | one.channel, number, value)) for number, value in values)


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
