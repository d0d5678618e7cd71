"""Which rungs of a study are handed back.

*Conventions*: exact costs, lower is better.

`chosen_of`: the rungs of the best trial. `search_facts`: what the search did, for the result.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from placer.cue.records import RUNGS
from placer.run.evaluator import Evaluator
from placer.run.trial import LEAST_GAIN, Candidate
from placer.search.trials import Trial


def chosen_of(evaluator: Evaluator, found: Sequence[tuple[Candidate, ...]]) -> list[Candidate]:
    """The rungs of the trial that gains most over all rungs, those that beat the reference.

    They come from one trial, so that one path leads through them.

    Parameters
    ----------
    found : sequence of tuple of Candidate
        From `trial.ladders`.

    Returns
    -------
    list of Candidate
        In order of effort; empty where none beats the reference.
    """
    reference = evaluator.reference.total

    def gain(rungs: tuple[Candidate, ...]) -> float:
        # a rung that is missing is no better than the cheapest before it
        costs = {rung.rung: rung.cost for rung in rungs}
        total, cheapest = 0.0, reference
        for name in RUNGS[:-1]:
            cheapest = min(cheapest, costs.get(name, cheapest))
            total += reference - cheapest
        return total

    best = max(found, key=gain, default=())
    return [rung for rung in best if rung.cost < reference - LEAST_GAIN]


def search_facts(trials: Sequence[Trial], *, workers: int) -> dict[str, Any]:
    """What the search did: counts, and how the best cost fell from trial to trial."""
    history, before, best = [], 0, np.inf
    for trial in trials:
        before += int(trial.payload["evaluations"])
        best = min(best, trial.cost)
        history.append([before, round(best, 6)])
    return {"trials": len(trials), "evaluations": before, "history": history, "workers": workers}
