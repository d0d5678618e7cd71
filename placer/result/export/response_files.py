"""A dry track's placement as impulse responses that any convolution reverb can load.

*Conventions*: responses (source channel, 2, tap). Through the responses of the *whole* a dry stem
is its placed stem: every gain of the track and of the mix is in them. The responses of single
*positions* hold pan, width and alignment but no gain of a position, so their faders are those of
the sheet and their sum is the whole. A mono stem has one stereo file for each; a stereo stem has
two, for its left and its right channel, at one level.

`TrackResponses`: of one track. `Microphones`: the same before anything is mixed. `Exported`: what
was written and at which faders it gives the placed stem. `write_responses`.

Sources
-------
ITU-R BS.1770-5, Annex 2: true peak. EBU R 128: a ceiling of -1 dBTP.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from placer.audio.true_peak import true_peak_db
from placer.errors import FolderError
from placer.result.export.wave import BroadcastWave, write_broadcast
from sim.decibel import FLOOR_DB, FloatArray, amplitude

CEILING_DBTP = -1.0
SIDES = ("from-left", "from-right")
POSITIONS = "positions"
"""Folder of the responses of single positions, beside those of the whole."""


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


@dataclass(frozen=True, slots=True)
class TrackResponses:
    """Responses of one dry track.

    Attributes
    ----------
    positions : (source channel, 2, tap) of each microphone position with its fader at 0 dB
    faders_db : gain of each position in the mix, None where it is off
    gain_db : of the whole track in the mix: make-up and the one gain of the mix
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
class Exported:
    """Responses of one track on the disk.

    Attributes
    ----------
    name : of the track
    files : of the whole, one a source channel
    gain_db : what convolution with them has to be raised by to be the placed stem
    positions : files of each position, one a source channel
    faders_db : what convolution with those has to be raised by, None where the position is off;
        their sum is the placed stem
    """

    name: str
    files: tuple[str, ...]
    gain_db: float
    positions: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    faders_db: Mapping[str, float | None] = field(default_factory=dict)


def whole_hundredths(gain_db: float) -> float:
    """The next gain below that two decimals state exactly, so that what is read is what was done.

    Examples
    --------
    >>> whole_hundredths(-3.3333)
    -3.34
    """
    return math.floor(100.0 * gain_db) / 100.0


def write_responses(
    folder: Path, name: str, found: TrackResponses, *, sample_rate: int, about: BroadcastWave,
    stem: str,
) -> Exported:  # fmt: skip
    """Write the responses of a track, true peak at `CEILING_DBTP`.

    The whole has a level of its own; the positions share one, so that they keep their balance.

    Parameters
    ----------
    folder : Path
        Positions go into its folder `POSITIONS`, which is made.
    name : str
        Of the track.
    found : TrackResponses
    sample_rate : int
        Hz.
    about : BroadcastWave
    stem : str
        Beginning of the file names.

    Returns
    -------
    Exported

    Raises
    ------
    AudioError, FolderError
        As `write_broadcast`.
    ValueError
        If an array has another shape or all are silent.
    """
    whole = found.whole
    raised_db = _raised_db(name, [whole], sample_rate)
    files = _write(folder, stem, raised_db, whole, (sample_rate, about))
    (folder / POSITIONS).mkdir(exist_ok=True)
    common_db = _raised_db(name, found.positions.values(), sample_rate)
    positions = {
        position: _write(
            folder / POSITIONS, f"{stem} {position}", common_db, responses, (sample_rate, about)
        )
        for position, responses in found.positions.items()
    }
    faders_db = {
        position: None if gain is None else gain + found.gain_db - common_db
        for position, gain in found.faders_db.items()
    }
    return Exported(name, files, -raised_db, positions, faders_db)


def _raised_db(name: str, responses: Iterable[FloatArray], sample_rate: int) -> float:
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
) -> tuple[str, ...]:
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
