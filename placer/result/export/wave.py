"""Sound files that a mixing engineer can take: 24-bit WAV with a place on the timeline.

*Conventions*: audio (channel, frame), full scale 1, pieces in order; the time reference counts
samples since midnight. A file appears whole or not at all, and nothing is clipped: too loud a
sample is an error.

`BroadcastWave`: who wrote it and where it starts. `write_broadcast`: the file.

Sources
-------
EBU Tech 3285 (2011), Specification of the Broadcast Wave Format: the bext chunk, version 1.
EBU R 98 (1999): format of the coding history.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from placer.audio.atomic import replacing
from placer.errors import AudioError, FolderError

FULL = 1 << 23
"""Full scale of 24 bits."""
LARGEST = (1 << 32) - (1 << 20)
"""Bytes of sound that a RIFF size field can name beside the other chunks."""
HISTORY = {1: "mono", 2: "stereo"}


@dataclass(frozen=True, slots=True)
class BroadcastWave:
    """What the bext chunk says.

    Attributes
    ----------
    description : up to 256 ASCII characters
    moment : when it was written
    time_reference : samples since midnight at which the file begins
    """

    description: str
    moment: datetime
    time_reference: int = 0


def write_broadcast(
    path: Path,
    blocks: Iterable[np.ndarray[Any, Any]],
    sample_rate: int,
    *,
    channels: int,
    about: BroadcastWave,
) -> int:
    """Write a 24-bit Broadcast Wave file.

    Parameters
    ----------
    path : Path
    blocks : iterable of (channel, frame) arrays
    sample_rate : int
        Hz.
    channels : int
        1 or 2.
    about : BroadcastWave

    Returns
    -------
    int
        Frames written.

    Raises
    ------
    AudioError
        A sample lies outside full scale or is not finite.
    FolderError
        The disk cannot take it, or it is longer than a WAV file can be.
    """
    frames = 0
    with replacing(path) as temporary:
        try:
            with temporary.open("wb") as file:
                head = _head(about, sample_rate, channels)
                file.write(head)
                for block in blocks:
                    file.write(_packed(block, path))
                    frames += block.shape[1]
                _close(file, len(head), path)
        except OSError as error:
            raise FolderError(f"{path}: cannot be written ({error.strerror})") from error
    return frames


def _packed(block: np.ndarray[Any, Any], path: Path) -> bytes:
    """Round to 24 bits, little end first, channels side by side."""
    values = np.round(np.asarray(block, np.float64) * FULL)
    if not np.all(np.isfinite(values)) or np.any(np.abs(values + 0.5) > FULL):
        peak = 20.0 * np.log10(float(np.max(np.abs(block))))
        raise AudioError(f"{path}: peak {peak:+.2f} dBFS does not fit into 24 bits; lower the gain")
    words = np.ascontiguousarray(values.T.astype("<i4"))
    return words.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()


def _head(about: BroadcastWave, sample_rate: int, channels: int) -> bytes:
    """All before the sound; sizes are filled in by `_close`."""
    history = f"A=PCM,F={sample_rate},W=24,M={HISTORY[channels]},T=placer\r\n".encode("ascii")
    history += b"\0" * (len(history) % 2)
    low, high = about.time_reference & 0xFFFFFFFF, about.time_reference >> 32
    body = struct.pack(
        "<256s32s32s10s8sIIH64s190s",
        about.description.encode("ascii", "replace")[:256],
        b"placer",
        b"",
        f"{about.moment:%Y-%m-%d}".encode(),
        f"{about.moment:%H:%M:%S}".encode(),
        low, high, 1, b"", b"",
    )  # fmt: skip
    frame = 3 * channels
    layout = struct.pack(
        "<HHIIHH", 1, channels, sample_rate, sample_rate * frame, frame, 24
    )  # fmt: skip
    extension = struct.pack("<4sI", b"bext", len(body + history)) + body + history
    form = struct.pack("<4sI", b"fmt ", len(layout)) + layout
    return b"RIFF\0\0\0\0WAVE" + extension + form + b"data\0\0\0\0"


def _close(file: BinaryIO, head: int, path: Path) -> None:
    """Pad to an even length and write the sizes."""
    sound = file.tell() - head
    if sound > LARGEST:
        raise FolderError(f"{path}: {sound} bytes are more than a WAV file can hold (4 GiB)")
    file.write(b"\0" * (sound % 2))
    whole = file.tell() - 8
    file.seek(4)
    file.write(struct.pack("<I", whole))
    file.seek(head - 4)
    file.write(struct.pack("<I", sound))
