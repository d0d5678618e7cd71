"""Which layers stand in one another's place.

Unit: of each track, x / (1 + x), where x sums over the other tracks the share of bands and time in
common times the likeness of place; 0 (alone) towards 1 (crowded). In degrees and dB: `Place`.
Likeness is a weighted sum of likeness to the side, which falls to nothing at a step of
`formulas.SIDE_STEP_DEG`, and in depth, at `formulas.DEPTH_STEP_DB` of direct against all other
energy; so neither makes the other idle. What two tracks share below `LOW_HZ` is told apart by depth
for the most part. Doubled layers of one group are meant to be together and do not count.
Witness: just noticeable differences of the direct-to-reverberant ratio (2-3 dB at 0 and +10 dB,
Larsen, Iyer, Lansing & Feng 2008, J. Acoust. Soc. Am. 124, 450), panning tables.

`shared`: what two tracks have in common. `Common`, `common`: the same by side and by depth.
`overlap`: the cost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from placer.cost import formulas
from placer.cost.perceived_place import Place
from placer.cost.scene import IntArray, Scene
from sim.decibel import FloatArray

LOW_HZ = 250.0
"""Below this, sides are told apart least."""

SIDE_LOW, SIDE_HIGH = 0.2, 0.5
"""Weight of side against depth below and above `LOW_HZ` (common practice, no source)."""


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
        common[first, first + 1 :] = np.minimum(cells[first], cells[first + 1 :]).sum(
            1, dtype=float
        )
    same = (group[:, None] == group[None, :]) & (group[:, None] >= 0)
    return np.where(same, 0.0, common + common.T)


@dataclass(frozen=True, slots=True)
class Common:
    """What each pair of tracks has in common: (T, T) as far as side, and as far as depth tells."""

    side: FloatArray
    depth: FloatArray


def common(scene: Scene) -> Common:
    """What each pair of a scene's tracks has in common."""
    low = scene.centres < LOW_HZ
    below, above = (shared(scene.importance[:, part], scene.group) for part in (low, ~low))
    return Common(
        side=SIDE_LOW * below + SIDE_HIGH * above,
        depth=(1.0 - SIDE_LOW) * below + (1.0 - SIDE_HIGH) * above,
    )


def overlap(where: Place, shares: Common) -> FloatArray:
    """Cost (T,) of standing in one another's place, 0 to 1.

    Parameters
    ----------
    where : Place
        Of T tracks.
    shares : Common
        From `common`.
    """
    side = (where.lateral_deg[:, None] - where.lateral_deg) / formulas.SIDE_STEP_DEG
    depth = (where.drr_db[:, None] - where.drr_db) / formulas.DEPTH_STEP_DB
    crowd = shares.side * formulas.likeness(side) + shares.depth * formulas.likeness(depth)
    cost: FloatArray = formulas.crowded(crowd.sum(1))
    return cost
