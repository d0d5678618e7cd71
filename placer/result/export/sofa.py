"""What every simulated microphone hears of a dry track's seat, as a SOFA file.

*Conventions*: AES69 convention SingleRoomMIMOSRIR: receivers are microphones, emitters the channels
of the stem. SOFA's axes are x forward (from the conductor to the players), y left, z up; ours are x
right, y towards the back, z up. The conductor is the origin of both.

`write_sofa`: the file. `ABOUT`: what it is. `missing_library`: why there is none, in one line.

Sources
-------
AES69-2022, AES standard for file exchange - Spatial acoustic data file format (convention as the
library holds it).
"""

from __future__ import annotations

import importlib.util
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from placer.errors import FolderError
from placer.result.export.response_files import Microphones
from sim.decibel import FloatArray
from sim.room import Room

KELVIN = 273.15
ABOUT = (
    "responses/reference/sofa: what each single microphone hears of each dry track in the "
    "reference, with the places of players and microphones, as SOFA files (AES69, "
    "SingleRoomMIMOSRIR). responses/moves/sofa: the same in this mix, for tracks with another seat "
    "or other microphones. They hold no gain, pan, width or delay."
)
"""What the files are, in words."""


def missing_library() -> str:
    """Say how to get SOFA files where the library is not installed; "" where it is."""
    if importlib.util.find_spec("sofar") is not None:
        return ""
    return (
        "no SOFA files: the package sofar is missing; pip install 'placer[sofa]' and export again"
    )


def sofa_axes(places: FloatArray) -> FloatArray:
    """Stage coordinates (..., 3) along the axes of SOFA.

    Examples
    --------
    >>> sofa_axes(np.array([1.0, 2.0, 3.0])).tolist()  # 1 m to the right, 2 m ahead, 3 m up
    [2.0, -1.0, 3.0]
    """
    return np.stack([places[..., 1], -places[..., 0], places[..., 2]], axis=-1)


def write_sofa(
    path: Path, found: Microphones, *, title: str, room: Room, sample_rate: int, moment: datetime
) -> None:
    """Write one track's microphones.

    Parameters
    ----------
    path : Path
        Ending in .sofa.
    found : Microphones
    title : str
    room : Room
    sample_rate : int
        Hz.
    moment : datetime
        When it was made.

    Raises
    ------
    FolderError
        The file cannot be written.
    """
    import sofar

    sofa: Any = sofar.Sofa("SingleRoomMIMOSRIR")
    # AES69 wants doubles; those of single precision take half the room when they are packed
    single = found.responses.astype(np.float32).astype(np.float64)
    sofa.Data_IR = np.moveaxis(single, 0, -1)[None]
    sofa.Data_SamplingRate = float(sample_rate)
    sources, microphones = found.responses.shape[:2]
    sofa.Data_Delay = np.zeros((1, microphones, sources))
    _head(sofa, title, moment)
    _room(sofa, room)
    _listener(sofa, found)
    _source(sofa, found)
    try:
        sofar.write_sofa(str(path), sofa)
    except OSError as error:
        raise FolderError(f"{path}: cannot be written ({error.strerror or error})") from error


def _head(sofa: Any, title: str, moment: datetime) -> None:
    """Who, when and what."""
    sofa.GLOBAL_Title = title
    sofa.GLOBAL_DateCreated = sofa.GLOBAL_DateModified = f"{moment:%Y-%m-%d %H:%M:%S}"
    sofa.GLOBAL_ApplicationName = "placer"
    sofa.GLOBAL_Origin = "simulated"
    sofa.GLOBAL_Comment = (
        "Each microphone by itself, amplitude 1 at 1 m on the instrument's axis: no gain, pan, "
        "width or alignment of the mix is in it."
    )


def _room(sofa: Any, room: Room) -> None:
    """Corners in m seen from the conductor, temperature, volume."""
    half = 0.5 * room.width
    sofa.GLOBAL_RoomType = "shoebox"
    sofa.RoomCornerA = [-room.conductor, -half, 0.0]
    sofa.RoomCornerB = [room.depth - room.conductor, half, room.height]
    sofa.RoomTemperature = room.temperature + KELVIN
    sofa.RoomVolume = room.width * room.depth * room.height
    for unused in ("RoomCorners", "RoomCorners_Type", "RoomCorners_Units", "MeasurementDate"):
        sofa.delete(unused)


def _listener(sofa: Any, found: Microphones) -> None:
    """Microphones around the conductor, who looks at the players."""
    sofa.ListenerPosition, sofa.ListenerView = [[0.0, 0.0, 0.0]], [[1.0, 0.0, 0.0]]
    sofa.ListenerUp = [[0.0, 0.0, 1.0]]
    sofa.ReceiverDescriptions = np.array(found.names)[:, None]
    sofa.ReceiverPosition_Type, sofa.ReceiverPosition_Units = "cartesian", "metre"
    sofa.ReceiverPosition = sofa_axes(found.places)[..., None]
    aims = sofa_axes(found.aims)
    sofa.ReceiverView = aims[..., None]
    sofa.ReceiverUp = _upright(aims)[..., None]


def _source(sofa: Any, found: Microphones) -> None:
    """The middle of the players as the source, the stem's channels as its emitters."""
    places = sofa_axes(found.sources)
    middle = places.mean(axis=0)
    sofa.SourcePosition = middle[None]
    sofa.SourceView, sofa.SourceUp = [[-1.0, 0.0, 0.0]], [[0.0, 0.0, 1.0]]
    sides = ("the stem",) if len(places) == 1 else ("left channel", "right channel")
    sofa.EmitterDescriptions = np.array(sides)[:, None]
    sofa.EmitterPosition_Type, sofa.EmitterPosition_Units = "cartesian", "metre"
    sofa.EmitterPosition = (places - middle)[..., None]
    sofa.EmitterView = np.tile([-1.0, 0.0, 0.0], (len(places), 1))[..., None]
    sofa.EmitterUp = np.tile([0.0, 0.0, 1.0], (len(places), 1))[..., None]


def _upright(aims: FloatArray) -> FloatArray:
    """Unit vectors at right angles to some aims, as near to straight up as can be."""
    up = np.array([0.0, 0.0, 1.0]) - aims[:, 2:] * aims
    length = np.linalg.norm(up, axis=-1, keepdims=True)
    flat = np.array([1.0, 0.0, 0.0])
    return np.where(length > 1e-6, up / np.maximum(length, 1e-6), flat)
