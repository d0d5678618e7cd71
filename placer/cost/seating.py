"""How far the search has left usual seating.

Unit: squared distance from the usual seat over `SCALE` squared; 1 at 4 m. Its weight in the cue
file goes from 0 (whatever sounds clearest) to 1. In metres: the distance itself.
Witness: closed form.
"""

from __future__ import annotations

import numpy as np

from sim.decibel import FloatArray

SCALE = 4.0
"""Distance that costs 1, m: about a section's width (common practice, no source)."""


def seating(distance: FloatArray) -> FloatArray:
    """Cost of distances in m, elementwise.

    Examples
    --------
    >>> float(seating(np.array(2.0)))
    0.25
    """
    cost: FloatArray = np.square(distance / SCALE)
    return cost
