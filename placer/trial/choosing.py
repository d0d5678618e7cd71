"""Which candidates of a study are handed back.

*Conventions*: candidates best first, exact costs.

`chosen_of`: the best few that differ. `search_facts`: what the search did, for the result.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.stats import spearmanr

from placer.search.choose import choose
from placer.search.trials import Trial
from placer.trial.judge import Judge
from placer.trial.outer import Candidate, feature_arrays

LEAST_GAIN = 1e-3
"""A mix must beat the reference by this much cost to be worth hearing."""


def chosen_of(judge: Judge, found: Sequence[Candidate]) -> list[Candidate]:
    """The best few candidates that differ audibly and beat the reference.

    Parameters
    ----------
    judge : Judge
    found : sequence of Candidate
        Best first.

    Returns
    -------
    list of Candidate
        Those that hold every limit; others only where none does. Empty where none beats the
        reference.
    """
    reference = judge.reference.cost.total
    found = [one for one in found if one.cost < reference - LEAST_GAIN]
    found = [one for one in found if one.feasible] or found
    if not found:
        return []
    chosen = choose(
        np.array([one.cost for one in found]),
        feature_arrays(found),
        judge.scorer.scene.weight,
        count=judge.material.cue.search.renders,
    )
    return [found[choice.index] for choice in chosen]


def search_facts(
    trials: Sequence[Trial], found: Sequence[Candidate], *, workers: int
) -> dict[str, Any]:
    """What the search did: counts, how the best cost fell, how far tables and exact costs agree."""
    history, before, best = [], 0, np.inf
    for trial in trials:
        before += int(trial.payload["evaluations"])
        best = min(best, trial.cost)
        history.append([before, round(best, 6)])
    agreement: dict[str, Any] = {"n": len(found)}
    if len({one.cost for one in found}) > 2 and len({one.table_cost for one in found}) > 2:
        rank = spearmanr([one.table_cost for one in found], [one.cost for one in found]).statistic
        agreement["spearman"] = round(float(rank), 4)
    return {
        "trials": len(trials),
        "evaluations": before,
        "history": history,
        "agreement": agreement,
        "workers": workers,
    }
