"""A dry track's placement as impulse responses that any convolution reverb can load.

*Conventions*: responses (source channel, 2, tap), every gain of the track and of the mix included:
a dry stem through its response is the placed stem. A mono stem has one stereo file; a stereo stem
has two, for its left and its right channel, with one gain.

`Exported`: what was written and the gain that undoes the normalisation. `write_responses`.

Sources
-------
ITU-R BS.1770-5, Annex 2: true peak. EBU R 128: a ceiling of -1 dBTP.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from placer.audio.true_peak import true_peak_db
from placer.result.export.wave import BroadcastWave, write_broadcast
from sim.decibel import FLOOR_DB, FloatArray, amplitude

CEILING_DBTP = -1.0
SIDES = ("from-left", "from-right")


@dataclass(frozen=True, slots=True)
class Exported:
    """Responses of one track.

    Attributes
    ----------
    name : of the track
    files : names, one a source channel
    gain_db : what convolution with the files has to be raised by to be the placed stem
    """

    name: str
    files: tuple[str, ...]
    gain_db: float


def whole_hundredths(gain_db: float) -> float:
    """The next gain below that two decimals state exactly, so that what is read is what was done.

    Examples
    --------
    >>> whole_hundredths(-3.3333)
    -3.34
    """
    return math.floor(100.0 * gain_db) / 100.0


def write_responses(
    folder: Path, name: str, responses: FloatArray, *, sample_rate: int, about: BroadcastWave,
    stem: str,
) -> Exported:  # fmt: skip
    """Write the responses of a track at one common level, true peak at `CEILING_DBTP`.

    Parameters
    ----------
    folder : Path
    name : str
        Of the track.
    responses : (source channel, 2, tap) FloatArray
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
        If the array has another shape or is silent.
    """
    if responses.ndim != 3 or responses.shape[1] != 2 or responses.shape[0] not in (1, 2):
        raise ValueError(
            f"{name}: responses of shape {responses.shape} (expected (1 or 2, 2, tap))"
        )
    peak_db = max(true_peak_db(pair, sample_rate) for pair in responses)
    if peak_db <= FLOOR_DB:
        raise ValueError(f"{name}: the responses are silent")
    raised_db = whole_hundredths(CEILING_DBTP - peak_db)
    sides = ("",) if responses.shape[0] == 1 else tuple(f" {side}" for side in SIDES)
    files = []
    for side, pair in zip(sides, responses, strict=True):
        files.append(f"{stem}{side}.wav")
        scaled = float(amplitude(raised_db)) * pair
        write_broadcast(folder / files[-1], [scaled], sample_rate, channels=2, about=about)
    return Exported(name, tuple(files), -raised_db)
