"""How much measured sound one process keeps in memory, and what goes first.

*Conventions*: sizes in bytes. A *geometry* is a number that its owner draws: the same place
measured by other arrays is another sound.

`Kept`: measured sound by geometry, track and place, within one bound for all of them.
"""

from __future__ import annotations

import itertools
from collections import OrderedDict
from threading import Lock

from placer.placement.measured import Measured
from placer.placement.options import Place

Key = tuple[int, int, Place]
"""Geometry, track, place."""


class Kept:
    """Measured sound in memory; what was used longest ago goes where it gets too much.

    Whatever goes lies on the disk, or is measured again: the bound costs time only. Several threads
    may use it at once.

    Parameters
    ----------
    most_bytes : int
        Never exceeded, except by a single measurement that is larger by itself.

    Attributes
    ----------
    nbytes : what is kept
    """

    def __init__(self, most_bytes: int) -> None:
        self._most = most_bytes
        self._found: OrderedDict[Key, Measured] = OrderedDict()
        self.nbytes = 0
        self._numbers = itertools.count()
        self._lock = Lock()

    def geometry(self) -> int:
        """Draw a number for one geometry."""
        return next(self._numbers)

    def get(self, geometry: int, index: int, place: Place) -> Measured | None:
        """Give what track `index` measured at a place, if it is kept."""
        key = (geometry, index, place)
        with self._lock:
            found = self._found.get(key)
            if found is not None:
                self._found.move_to_end(key)
            return found

    def put(self, geometry: int, index: int, place: Place, found: Measured) -> None:
        """Keep a measurement, and let go of others where they are too much together."""
        key = (geometry, index, place)
        with self._lock:
            old = self._found.pop(key, None)
            self.nbytes += found.nbytes - (0 if old is None else old.nbytes)
            self._found[key] = found
            while self.nbytes > self._most and len(self._found) > 1:
                self.nbytes -= self._found.popitem(last=False)[1].nbytes

    def drop(self, geometry: int | None = None) -> None:
        """Let go of everything, or of everything of one geometry."""
        with self._lock:
            for key in [key for key in self._found if geometry is None or key[0] == geometry]:
                self.nbytes -= self._found.pop(key).nbytes
