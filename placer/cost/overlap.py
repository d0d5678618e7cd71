"""Which layers stand in one another's place.

Unit: of each track, x / (1 + x), where x sums over the other tracks the share of bands and time in
common times the likeness of place; 0 (alone) towards 1 (crowded). In degrees and dB: `Place`.
Likeness of place falls to nothing at a step of `SIDE_STEP_DEG` to the side or of `DEPTH_STEP_DB`
in early against late energy. Doubled layers of one group are meant to be together and do not count.
Witness: just noticeable differences of the direct-to-reverberant ratio (2-3 dB at 0 and +10 dB,
Larsen, Iyer, Lansing & Feng 2008, J. Acoust. Soc. Am. 124, 450), panning tables.

`shared`: what two tracks have in common. `likeness`: of their places. `overlap`: the cost.
"""

from __future__ import annotations

import numpy as np

from placer.cost.place import Place
from placer.cost.scene import IntArray
from sim.decibel import FloatArray

SIDE_STEP_DEG = 15.0
"""A clear step to the side (9 dB between the channels by the tangent law), degrees."""

DEPTH_STEP_DB = 3.0
"""A clear step in depth, dB of early against late energy."""


def shared(importance: FloatArray, group: IntArray) -> FloatArray:
    """Share of bands and time that each pair of tracks has in common.

    Parameters
    ----------
    importance : (T, B, F) FloatArray
        Summing to 1 a track.
    group : (T,) IntArray
        Doubled layers share a number; -1 is none.

    Returns
    -------
    (T, T) FloatArray
        Symmetric, 0 to 1; 0 on the diagonal and within a group.
    """
    count = len(importance)
    cells = np.ascontiguousarray(importance.reshape(count, -1), dtype=np.float32)
    common = np.zeros((count, count))
    for first in range(count - 1):
        common[first, first + 1 :] = np.minimum(cells[first], cells[first + 1 :]).sum(1)
    same = (group[:, None] == group[None, :]) & (group[:, None] >= 0)
    return np.where(same, 0.0, common + common.T)


def likeness(side_deg: FloatArray, depth_db: FloatArray) -> FloatArray:
    """How alike two places are, from their distance to the side and in depth.

    Examples
    --------
    >>> float(likeness(np.array(0.0), np.array(0.0))), float(likeness(np.array(0.0), np.array(3.0)))
    (1.0, 0.0)
    """
    side = np.maximum(1.0 - np.square(side_deg / SIDE_STEP_DEG), 0.0)
    depth = np.maximum(1.0 - np.square(depth_db / DEPTH_STEP_DB), 0.0)
    alike: FloatArray = np.square(side * depth)
    return alike


def overlap(where: Place, common: FloatArray) -> FloatArray:
    """Cost of standing in one another's place.

    Parameters
    ----------
    where : Place
        Of T tracks.
    common : (T, T) FloatArray
        From `shared`.

    Returns
    -------
    (T,) FloatArray
        0 to 1.
    """
    side = where.lateral_deg[:, None] - where.lateral_deg[None, :]
    depth = where.early_late_db[:, None] - where.early_late_db[None, :]
    crowd = (common * likeness(side, depth)).sum(1)
    cost: FloatArray = crowd / (1.0 + crowd)
    return cost
