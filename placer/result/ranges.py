"""Any span of a WAV file's bytes, with its sound turned down by a gain on the way out.

So a listener's page can be handed every version at one loudness under names that say nothing, and
fetch just the passage it plays. Header and length stay as they are.

*Conventions*: byte offsets from the start of the file; `start` inclusive, `stop` exclusive.

`WavBytes`: opens by path, `read` gives bytes. `parse_range`: an HTTP Range header.

Sources
-------
RFC 9110, section 14: byte ranges. Multimedia Programming Interface 1.0 (1991): RIFF WAVE.
"""

from __future__ import annotations

import re
import struct
from pathlib import Path
from typing import Any

import numpy as np

from placer.errors import AudioError
from sim.decibel import amplitude

PCM, FLOAT, EXTENSIBLE = 1, 3, 0xFFFE


class WavBytes:
    """Bytes of one WAV file with a gain in dB applied to its samples.

    Raises
    ------
    AudioError
        If it is no WAV file of 16, 24 or 32-bit integers or 32-bit floats.
    """

    def __init__(self, path: Path, gain_db: float) -> None:
        self.path = path
        self.size = path.stat().st_size
        self._gain = float(amplitude(gain_db))
        self._kind, self._bytes, self._start, self._end = _layout(path, self.size)

    def read(self, start: int, stop: int) -> bytes:
        """Give the bytes from `start` up to `stop`."""
        if self._gain == 1.0:
            return self._raw(start, stop)
        low = max(start, self._start)
        high = min(stop, self._end)
        if high <= low:
            return self._raw(start, stop)
        first = low - (low - self._start) % self._bytes
        last = min(self._end, high + (self._start - high) % self._bytes)
        sound = self._turned_down(self._raw(first, last))
        middle = sound[low - first : len(sound) - (last - high)]
        return self._raw(start, low) + middle + self._raw(high, stop)

    def _raw(self, start: int, stop: int) -> bytes:
        with self.path.open("rb") as file:
            file.seek(start)
            return file.read(max(0, stop - start))

    def _turned_down(self, raw: bytes) -> bytes:
        """Multiply whole samples by the gain, rounded where they are integers."""
        if self._kind == FLOAT:
            scaled = np.frombuffer(raw, "<f4") * np.float32(self._gain)
            return scaled.astype("<f4").tobytes()
        width = self._bytes
        wide = np.zeros((len(raw) // width, 4), np.uint8)
        wide[:, 4 - width :] = np.frombuffer(raw, np.uint8).reshape(-1, width)
        values = wide.view("<i4")[:, 0].astype(np.float64) * self._gain
        step = float(1 << (8 * (4 - width)))
        rounded = np.round(values / step) * step
        narrow: Any = rounded.astype("<i4").view(np.uint8).reshape(-1, 4)[:, 4 - width :]
        return bytes(np.ascontiguousarray(narrow).tobytes())


def _layout(path: Path, size: int) -> tuple[int, int, int, int]:
    """Sample kind, bytes a sample, first and last byte of the sound."""
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] != b"RIFF" or head[8:12] != b"WAVE":
            raise AudioError(f"{path}: is no WAV file; render the mix again")
        kind = width = 0
        while len(chunk := file.read(8)) == 8:
            name, length = struct.unpack("<4sI", chunk)
            if name == b"fmt ":
                body = file.read(length + length % 2)
                code, bits = struct.unpack("<H", body[:2])[0], struct.unpack("<H", body[14:16])[0]
                kind = struct.unpack("<H", body[24:26])[0] if code == EXTENSIBLE else code
                width = bits // 8
            elif name == b"data":
                if (kind, width) not in ((PCM, 2), (PCM, 3), (PCM, 4), (FLOAT, 4)):
                    break
                start = file.tell()
                return kind, width, start, start + min(length, size - start) // width * width
            else:
                file.seek(length + length % 2, 1)
    raise AudioError(f"{path}: holds no sound of 16 to 32 bits; render the mix again")


def parse_range(header: str | None, size: int) -> tuple[int, int] | None:
    """Start and stop of the one range that a request asks for.

    Parameters
    ----------
    header : str or None
        Value of the Range header.
    size : int
        Of the file.

    Returns
    -------
    (start, stop) or None
        The whole file without a header; None where the range cannot be satisfied.

    Examples
    --------
    >>> parse_range("bytes=0-99", 1000), parse_range("bytes=-10", 1000), parse_range(None, 5)
    ((0, 100), (990, 1000), (0, 5))
    """
    if header is None:
        return 0, size
    found = re.fullmatch(r"bytes=([0-9]{0,18})-([0-9]{0,18})", header.strip())
    if not found or not any(found.groups()):
        return None
    first, last = found.groups()
    if not first:
        return (max(0, size - int(last)), size) if int(last) else None
    start, stop = int(first), min(size, int(last) + 1 if last else size)
    return (start, stop) if start < stop else None
