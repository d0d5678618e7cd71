"""How far a search has come, as a person follows it: what part of the foreground is audible.

*Conventions*: one scale everywhere, the plain mean over the layers that carry the music (over all
where none does) of their audible share, 0 to 1. Moved tracks are counted, not settings.

`Standing`: how it stands. `audible_share`: of a cost. `standing_of`: of a mix. `stored`: of the
best mix of a stored trial.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from placer.cost.objective import Cost
from placer.cost.scene import Scene
from placer.cue.records import Placement
from placer.run.evaluator import Arrangement, Evaluator


@dataclass(frozen=True, slots=True)
class Standing:
    """How a search stands.

    Attributes
    ----------
    audible : mean audible share of the foreground, 0 to 1
    moved : tracks that move
    evaluations : placements tried in this trial so far
    """

    audible: float
    moved: int
    evaluations: int = 0


def audible_share(cost: Cost, scene: Scene) -> float:
    """Mean audible share of the layers that carry the music, 0 to 1."""
    return float(cost.heard.share[scene.foreground_share > 0.0].mean())


def standing_of(
    evaluator: Evaluator,
    arranged: Arrangement,
    placements: Sequence[Placement],
    evaluations: int = 0,
) -> Standing:
    """How a search stands at a mix."""
    cost = evaluator.breakdown(arranged, placements)
    moved = sum(a != b for a, b in zip(placements, evaluator.starts, strict=True))
    return Standing(audible_share(cost, evaluator.scene), moved, evaluations)


def stored(payload: Mapping[str, Any]) -> Standing | None:
    """How the best mix of a stored trial stands; None where the journal does not say.

    Examples
    --------
    >>> stored({"rungs": [{"cost": 0.9, "audible": 0.25, "moved": 3}]})
    Standing(audible=0.25, moved=3, evaluations=0)
    """
    rows = payload.get("rungs")
    rungs = [row for row in rows if isinstance(row, Mapping)] if isinstance(rows, list) else []
    costs = [row.get("cost") for row in rungs]
    known = [(cost, i) for i, cost in enumerate(costs) if isinstance(cost, int | float)]
    if not known:
        return None
    row = rungs[min(known)[1]]
    audible, moved = row.get("audible"), row.get("moved")
    if not isinstance(audible, int | float) or not math.isfinite(audible):
        return None
    return Standing(float(audible), moved) if isinstance(moved, int) else None
