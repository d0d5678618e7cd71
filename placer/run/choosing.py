"""Which rungs of a study are handed back.

*Conventions*: exact costs, lower is better.

`chosen_of`: the rungs of the best trial. `search_facts`: what the search did, for the result.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from placer.run.evaluator import Evaluator
from placer.run.trial import LEAST_GAIN, Candidate
from placer.search.trials import Trial


def chosen_of(evaluator: Evaluator, found: Sequence[tuple[Candidate, ...]]) -> list[Candidate]:
    """The rungs of the trial that gains most over all rungs, those that beat the reference.

    They come from one trial, so that one path leads through them.

    Parameters
    ----------
    evaluator : Evaluator
    found : sequence of tuple of Candidate
        From `trial.ladders`.

    Returns
    -------
    list of Candidate
        In order of effort; empty where none beats the reference.
    """
    reference = evaluator.reference.total

    def gain(rungs: tuple[Candidate, ...]) -> float:
        return sum(max(0.0, reference - rung.cost) for rung in rungs)

    best = max(found, key=gain, default=())
    return [rung for rung in best if rung.cost < reference - LEAST_GAIN]


def search_facts(trials: Sequence[Trial], *, workers: int) -> dict[str, Any]:
    """What the search did: counts, and how the best cost fell from trial to trial."""
    history, before, best = [], 0, np.inf
    for trial in trials:
        before += int(trial.payload["evaluations"])
        best = min(best, trial.cost)
        history.append([before, round(best, 6)])
    return {
        "trials": len(trials),
        "evaluations": before,
        "history": history,
        "workers": workers,
    }
