"""Which term of the cost made one mix better than another.

*Conventions*: weighted contributions, which sum to the cost; `LIMITS` is what violations add.

`weighted`: of a cost. `stored`: of the best mix of a stored trial. `changes`: in words.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from placer.cost.limits import PENALTY
from placer.cost.objective import TERMS, Cost
from placer.cue.records import Weights

LIMITS = "limits"

LEAST_SHOWN = 5e-4
"""A smaller change would read 0.000."""


def weighted(cost: Cost, weights: Weights) -> dict[str, float]:
    """What each term, and the limits, add to a cost."""
    parts = {name: float(getattr(weights, name) * cost.terms[name]) for name in TERMS}
    parts[LIMITS] = float(PENALTY * sum(cost.violations.values()))
    return {name: round(value, 6) for name, value in parts.items()}


def stored(payload: Mapping[str, Any]) -> dict[str, float]:
    """Contributions of a stored trial's best rung; empty where the journal has none."""
    rows = payload.get("rungs")
    rungs = [row for row in rows if isinstance(row, Mapping)] if isinstance(rows, list) else []
    costs = [row.get("cost") for row in rungs]
    known = [(cost, i) for i, cost in enumerate(costs) if isinstance(cost, int | float)]
    found = rungs[min(known)[1]].get("weighted") if known else None
    if not isinstance(found, Mapping):
        return {}
    return {
        str(name): float(value)
        for name, value in found.items()
        if isinstance(value, int | float) and math.isfinite(value)
    }


def changes(now: Mapping[str, float], before: Mapping[str, float]) -> str:
    """The term that fell most and the one that rose most, with their weighted changes.

    Examples
    --------
    >>> changes({"audibility": 0.5, "low_weight": 0.01}, {"audibility": 0.561, "low_weight": 0.006})
    'audibility -0.061, low weight +0.004'
    """
    by = {name: now[name] - before[name] for name in now if name in before}
    if not by:
        return ""
    named = sorted({min(by, key=by.__getitem__), max(by, key=by.__getitem__)}, key=by.__getitem__)
    return ", ".join(
        f"{name.replace('_', ' ')} {by[name]:+.3f}"
        for name in named
        if abs(by[name]) >= LEAST_SHOWN
    )
