"""How much sound that has been convolved once stays in memory.

*Conventions*: bytes; a key names a track, its placement and, where they matter, the arrays.

`Kept`: placed tracks of all scorers of one cue, within one bound. `give_back`: freed memory.
"""

from __future__ import annotations

import ctypes
import os
from collections import OrderedDict
from collections.abc import Collection, Hashable

from placer.placing.exact import Placed

MOST_BYTES = 400 * 1024**2
"""Placed tracks kept in memory at the most, for all arrays together."""


class Kept:
    """Placed tracks, the ones used longest ago going first.

    A candidate of many tracks may be larger than the bound. Its own tracks are never driven out by
    its later ones, so that a part of it is there when the next candidate repeats it.

    Parameters
    ----------
    most_bytes : int
    """

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._most = most_bytes
        self._placed: OrderedDict[Hashable, Placed] = OrderedDict()
        self.bytes = 0

    def __len__(self) -> int:
        return len(self._placed)

    def __contains__(self, key: Hashable) -> bool:
        return key in self._placed

    def get(self, key: Hashable) -> Placed | None:
        """What is kept under a key, now the latest used; None where nothing is."""
        if key not in self._placed:
            return None
        self._placed.move_to_end(key)
        return self._placed[key]

    def offer(self, key: Hashable, placed: Placed, wanted: Collection[Hashable]) -> None:
        """Keep a placed track if others than those `wanted` can make room for it."""
        size = size_of(placed)
        if self._room(self._most - size, wanted):
            self._placed[key] = placed
            self.bytes += size

    def bound(self, most_bytes: int) -> None:
        """Keep no more than this from now on, and give the system back what is let go."""
        self._most = most_bytes
        self._room(most_bytes, ())
        give_back()

    def _room(self, most_bytes: int, wanted: Collection[Hashable]) -> bool:
        """Let go until no more than some bytes are kept; whether that was possible."""
        while self.bytes > most_bytes:
            oldest = next((key for key in self._placed if key not in wanted), None)
            if oldest is None:
                return False
            self.bytes -= size_of(self._placed.pop(oldest))
        return most_bytes >= 0


def give_back() -> None:
    """Return freed memory to the system; elsewhere than with the GNU C library, do nothing.

    That library keeps freed blocks of some megabytes for itself, which other processes then lack.
    """
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if os.name == "posix" else None
    if trim is not None:
        trim(0)


def size_of(placed: Placed) -> int:
    """Bytes of a placed track."""
    return int(placed.audio.nbytes + placed.early.nbytes + placed.late.nbytes)
