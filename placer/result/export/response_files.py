"""A dry track's placement as impulse responses that any convolution reverb can load.

*Conventions*: responses (source channel, 2, tap), of the reference and of a mix, in files of 32-bit
float at their own level: nothing is normalised or clipped. The response of the *whole* place holds
everything of the track, its gains and its make-up too: behind it the fader stays at 0 dB. The
responses of single *positions* hold side, pan, width and alignment; their faders are the gains of
the sheet. The gain of the whole mix is in neither. A mono stem has one stereo file for each; a
stereo stem has two, for its left and its right channel. A response that the mix does not change is
written once, as the reference's. Files of the mix begin with the number of the move, so that they
stand in the order of the path.

`TrackResponses`: of one track, in the reference or in a mix. `Microphones`: the same before
anything is mixed. `same_microphones`: whether two states have the same. `Loaded`: which files give
a track its place. `Exported`: that in the reference and in the mix. `write_responses`: the files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from placer.audio.files import write_wav
from placer.errors import FolderError
from placer.result.path_words import MOVES, REFERENCE
from placer.result.render import SAME_GAIN_DB
from sim.decibel import FloatArray, amplitude

SIDES = ("from-left", "from-right")
POSITIONS = "positions"
"""Folder of the responses of single positions, beside those of the whole."""
MICROPHONES = "00"
"""What files begin with that no move changes, only the mix's microphones: they come first."""


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
    """Files that give a track its place in the reference or in a mix.

    Attributes
    ----------
    files : of the whole, one a source channel
    positions : files of each position, one a source channel
    faders_db : gain behind those, None where the position is off
    gain_db : behind all positions together; the sum is then the whole
    """

    files: Files
    positions: Mapping[str, Files]
    faders_db: Mapping[str, float | None]
    gain_db: float


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
        """Whether the mix has another response of the whole place."""
        return self.before.files != self.after.files


def write_responses(
    folder: Path, name: str, before: TrackResponses, after: TrackResponses, *,
    stem: str, number: str, sample_rate: int,
) -> Exported:  # fmt: skip
    """Write the responses of a track; those of the reference are the same whatever the mix.

    Parameters
    ----------
    folder : Path
        Folders `REFERENCE` and `MOVES` are made in it.
    name : str
        Of the track.
    before, after : TrackResponses
        In the reference and in the mix, of the same positions.
    stem : str
        What the names of files begin with; those of the mix have `number` before it.
    number : str
        From `path_words.file_number`, or `MICROPHONES`.
    sample_rate : int
        Hz.

    Returns
    -------
    Exported
        Files as they are called from `folder`.

    Raises
    ------
    AudioError, FolderError
        As `write_wav`; a file is there already.
    ValueError
        If an array has another shape.
    """

    def write(ending: str, old: FloatArray, new: FloatArray) -> tuple[Files, Files]:
        below = f"{POSITIONS}/" if ending else ""
        first = _write(folder, f"{REFERENCE}/{below}{stem}{ending}", old, sample_rate)
        if np.array_equal(old, new):
            return first, first
        second = f"{MOVES}/{below}{number} {stem}{ending}"
        return first, _write(folder, second, new, sample_rate)

    for one in (*before.positions.values(), *after.positions.values()):
        if one.ndim != 3 or one.shape[1] != 2 or one.shape[0] not in (1, 2):
            raise ValueError(f"{name}: responses of shape {one.shape} (expected (1 or 2, 2, tap))")
    if abs(after.gain_db - before.gain_db) <= SAME_GAIN_DB:
        after = replace(after, gain_db=before.gain_db)
    # of positions too, so that the fader behind them is the make-up of the sheet
    level = float(amplitude(before.gain_db))
    positions = {
        position: write(f" {position}", level * old, level * after.positions[position])
        for position, old in before.positions.items()
    }
    files = write("", before.whole, after.whole)
    loaded = [
        Loaded(
            files[state],
            {position: both[state] for position, both in positions.items()},
            one.faders_db,
            one.gain_db - before.gain_db,
        )
        for state, one in enumerate((before, after))
    ]
    return Exported(name, *loaded)


def _write(folder: Path, stem: str, responses: FloatArray, sample_rate: int) -> Files:
    """Write one stereo file a source channel and give their names."""
    sides = ("",) if responses.shape[0] == 1 else tuple(f" {side}" for side in SIDES)
    files = tuple(f"{stem}{side}.wav" for side in sides)
    for file, pair in zip(files, responses, strict=True):
        path = folder / file
        if path.exists():
            raise FolderError(
                f"{path}: is there already, from a track of nearly the same name; rename "
                "one of the two in the cue file"
            )
        path.parent.mkdir(parents=True, exist_ok=True)
        write_wav(path, pair, sample_rate, "FLOAT")
    return files
