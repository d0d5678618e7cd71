"""A dry track's placement as impulse responses that any convolution reverb can load.

*Conventions*: responses (source channel, 2, tap), of the reference and of a mix. The response of
the *whole* place holds every gain of the track, its make-up too; the fader behind it undoes the
level that the file has. The responses of single *positions* hold side, pan, width and alignment but
no gain: their faders hold that, make-up included. The gain of the whole mix is in neither. A
response that is the same in both is written once, as the reference's. A mono stem has one stereo
file for each; a stereo stem has two, for its left and its right channel, at one level.

`TrackResponses`: of one track, in the reference or in a mix. `Microphones`: the same before
anything is mixed. `same_microphones`: whether two states have the same. `Loaded`: which files give
a track its place, at which faders. `Exported`: that in the reference and in the mix.
`write_responses`: the files.

Sources
-------
ITU-R BS.1770-5, Annex 2: true peak. EBU R 128: a ceiling of -1 dBTP.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from placer.audio.true_peak import true_peak_db
from placer.errors import FolderError
from placer.result.export.wave import BroadcastWave, write_broadcast
from sim.decibel import FLOOR_DB, FloatArray, amplitude

CEILING_DBTP = -1.0
SIDES = ("from-left", "from-right")
POSITIONS = "positions"
"""Folder of the responses of single positions, beside those of the whole."""
REFERENCE = "reference"
"""Folder of the responses of the reference, beside those that the mix has of its own."""


Files = tuple[str, ...]
"""Files of one response, one a source channel."""


@dataclass(frozen=True, slots=True)
class Microphones:
    """What the single microphones hear of a seat, before fold, pan, blend and alignment.

    Attributes
    ----------
    responses : (source, mic, tap), amplitude 1 at 1 m on the instrument's axis
    names : (mic,)
    places, aims : (mic, 3) in m, and directions; stage coordinates
    sources : (source, 3) in m
    """

    responses: FloatArray
    names: tuple[str, ...]
    places: FloatArray
    aims: FloatArray
    sources: FloatArray


def same_microphones(before: Microphones | None, after: Microphones | None) -> bool:
    """Whether the microphones of two states stand alike and hear the same."""
    if before is None or after is None:
        return before is after
    return before.names == after.names and all(
        np.array_equal(getattr(before, key), getattr(after, key))
        for key in ("responses", "places", "aims", "sources")
    )


@dataclass(frozen=True, slots=True)
class TrackResponses:
    """Responses of one dry track in the reference or in a mix.

    Attributes
    ----------
    positions : (source channel, 2, tap) of each microphone position with its fader at 0 dB
    faders_db : gain of each position, None where it is off
    gain_db : of the whole track, its make-up
    microphones : None where they are not known
    """

    positions: Mapping[str, FloatArray]
    faders_db: Mapping[str, float | None]
    gain_db: float
    microphones: Microphones | None = None

    @property
    def whole(self) -> FloatArray:
        """Sum of the positions at their faders and at the gain of the track."""
        parts = [
            float(amplitude(gain_db + self.gain_db)) * self.positions[name]
            for name, gain_db in self.faders_db.items()
            if gain_db is not None
        ]
        return sum(parts[1:], start=parts[0])


@dataclass(frozen=True, slots=True)
class Loaded:
    """Files that give a track its place in the reference or in a mix, and the faders behind them.

    Attributes
    ----------
    files : of the whole, one a source channel
    fader_db : what convolution with them has to be raised by
    positions : files of each position, one a source channel
    faders_db : what convolution with those has to be raised by, None where the position is off;
        their sum is the whole
    """

    files: tuple[str, ...]
    fader_db: float
    positions: Mapping[str, tuple[str, ...]]
    faders_db: Mapping[str, float | None]


@dataclass(frozen=True, slots=True)
class Exported:
    """Responses of one track on the disk.

    Attributes
    ----------
    name : of the track
    before, after : in the reference and in the mix; where a response stays, its files are the same
    """

    name: str
    before: Loaded
    after: Loaded

    @property
    def moves(self) -> bool:
        """Whether anything is to be loaded or set otherwise than in the reference."""
        return self.before != self.after


def whole_hundredths(gain_db: float) -> float:
    """The next gain below that two decimals state exactly, so that what is read is what was done.

    Examples
    --------
    >>> whole_hundredths(-3.3333)
    -3.34
    """
    return math.floor(100.0 * gain_db) / 100.0


def write_responses(
    folder: Path, name: str, before: TrackResponses, after: TrackResponses, *,
    sample_rate: int, about: tuple[BroadcastWave, BroadcastWave], stem: str,
) -> Exported:  # fmt: skip
    """Write the responses of a track, those of the reference with true peaks at `CEILING_DBTP`.

    The whole of the mix has the level of the reference's, and so have its positions; where they
    would exceed the ceiling they are lowered and their faders raised. The reference is written
    alike whatever the mix.

    Parameters
    ----------
    folder : Path
        Those of the reference go into its folder `REFERENCE`, those that the mix changes beside
        it; of both, positions into a folder `POSITIONS`. All are made where they are needed.
    name : str
        Of the track.
    before, after : TrackResponses
        In the reference and in the mix, of the same positions.
    sample_rate : int
        Hz.
    about : (BroadcastWave, BroadcastWave)
        Of the reference and of the mix.
    stem : str
        Beginning of the file names.

    Returns
    -------
    Exported
        Files as they are called from `folder`.

    Raises
    ------
    AudioError, FolderError
        As `write_broadcast`.
    ValueError
        If an array has another shape or all are silent.
    """
    states = (before, after)
    wholes = [one.whole for one in states]
    raised_db = _levels_db(name, [[one] for one in wholes], sample_rate)
    common_db = _levels_db(name, [one.positions.values() for one in states], sample_rate)

    def write(state: int, below: str, file: str, raised_db: float, heard: FloatArray) -> Files:
        place = (f"{REFERENCE}/{below}", below)[state]
        (folder / place).mkdir(parents=True, exist_ok=True)
        written = _write(folder / place, file, raised_db, heard, (sample_rate, about[state]))
        return tuple(f"{place}{one}" for one in written)

    positions: list[dict[str, Files]] = [{}, {}]
    levels: dict[str, float] = {}
    for position, heard in before.positions.items():
        file, below = f"{stem} {position}", f"{POSITIONS}/"
        positions[0][position] = write(0, below, file, common_db[0], heard)
        moved = after.positions[position]
        stays = np.array_equal(heard, moved)
        levels[position] = common_db[0 if stays else 1]
        positions[1][position] = (
            positions[0][position] if stays else write(1, below, file, levels[position], moved)
        )
    files = write(0, "", stem, raised_db[0], wholes[0])
    if positions[0] == positions[1] and before.faders_db == after.faders_db:
        ends = [(files, -raised_db[0]), (files, after.gain_db - before.gain_db - raised_db[0])]
    else:
        new = write(1, "", stem, raised_db[1], wholes[1])
        ends = [(files, -raised_db[0]), (new, -raised_db[1])]
    first = dict.fromkeys(levels, common_db[0])
    loaded = [
        Loaded(*end, place, {
            position: None if gain is None else gain + one.gain_db - level[position]
            for position, gain in one.faders_db.items()
        })
        for end, place, one, level in zip(ends, positions, states, (first, levels), strict=True)
    ]  # fmt: skip
    return Exported(name, *loaded)


def _levels_db(
    name: str, states: Sequence[Iterable[FloatArray]], sample_rate: int
) -> tuple[float, float]:
    """Gain of all responses of the reference, and of those of the mix: the same if they fit."""
    before, after = (_room_db(name, one, sample_rate) for one in states)
    return before, min(before, after)


def _room_db(name: str, responses: Iterable[FloatArray], sample_rate: int) -> float:
    """Gain that brings the loudest of some responses to the ceiling."""
    peak_db = FLOOR_DB
    for one in responses:
        if one.ndim != 3 or one.shape[1] != 2 or one.shape[0] not in (1, 2):
            raise ValueError(f"{name}: responses of shape {one.shape} (expected (1 or 2, 2, tap))")
        peak_db = max(peak_db, *(true_peak_db(pair, sample_rate) for pair in one))
    if peak_db <= FLOOR_DB:
        raise ValueError(f"{name}: the responses are silent")
    return whole_hundredths(CEILING_DBTP - peak_db)


def _write(
    folder: Path,
    stem: str,
    raised_db: float,
    responses: FloatArray,
    form: tuple[int, BroadcastWave],
) -> Files:
    """Write one stereo file a source channel and give their names."""
    sample_rate, about = form
    sides = ("",) if responses.shape[0] == 1 else tuple(f" {side}" for side in SIDES)
    files = tuple(f"{stem}{side}.wav" for side in sides)
    for file, pair in zip(files, responses, strict=True):
        if (folder / file).exists():
            raise FolderError(
                f"{folder / file}: is there already, from a track of nearly the same name; rename "
                "one of the two in the cue file"
            )
        scaled = float(amplitude(raised_db)) * pair
        write_broadcast(folder / file, [scaled], sample_rate, channels=2, about=about)
    return files
