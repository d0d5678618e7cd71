"""A catalogue of all tracks, its gains in one array that the compiled loops read in place.

A template's catalogue is some hundred megabytes, so nothing of it is kept twice.

*Conventions*: options as `placer.placing.options`; R options of all tracks together.

`Shelf`: options of every track over one array.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from placer.cost.fast import put_gains
from placer.placing.options import Options
from sim.bands import ERB_CENTRES
from sim.decibel import FloatArray


class Shelf(list[Options]):
    """Options of every track, in order; their early and late covariances are views of one array.

    Parameters
    ----------
    made : iterable of Options
        Taken one at a time, so that each may be let go before the next is made.
    count : int
        Options of all tracks together.

    Attributes
    ----------
    gains : (R, 39, 8) float32, as `placer.cost.fast.put_gains` writes them

    Raises
    ------
    ValueError
        There are more or fewer than `count`.
    """

    def __init__(self, made: Iterable[Options], count: int) -> None:
        super().__init__()
        self.gains: FloatArray = np.empty((count, len(ERB_CENTRES), 8), np.float32)
        first = 0
        for options in made:
            last = first + len(options.placements)
            if last > count:
                raise ValueError(f"more than the {count} options that were announced")
            part = self.gains[first:last]
            put_gains(part, options.early, options.late)
            early, late = (np.swapaxes(part[..., some], 1, 2) for some in (slice(4), slice(4, 8)))
            same = options.early_total is options.early
            total = early if same else options.early_total
            self.append(replace(options, early=early, late=late, early_total=total))
            first = last
        if first < count:
            raise ValueError(f"{first} options, but {count} were announced")

    def changed(self, options: Iterable[Options]) -> Shelf:
        """The same gains, not copied, with other figures beside them."""
        other = Shelf((), 0)
        other.gains = self.gains
        other.extend(options)
        return other
