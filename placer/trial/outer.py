"""The study: trials over shared numbers and seeds, stored as they end.

*Conventions*: a trial's payload holds its candidates as plain values, exact costs first.

`trial_of`: the function that the study calls. `candidates`: all that a study has found.
`feature_arrays`: what `placer.search.choose` compares.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from placer.cue.records import OFF_DB, Cue, Placement
from placer.errors import StorageError
from placer.search.choose import Features
from placer.search.landscape import Progress
from placer.search.trials import Trial, TrialOutcome
from placer.trial.inner import Budget, run_trial
from placer.trial.judge import Judge
from placer.trial.plain import placement_values, placements_from
from placer.trial.scoring import Scored
from placer.trial.terms import weighted

EVALUATIONS_PER_TRACK = 60_000
"""Length of one inner search that is not bounded by time."""

EXACT_SHARE = 0.12
"""Part of the time left that is kept for exact scoring, at least `EXACT_SECONDS`."""

EXACT_SECONDS = 2.0

INAUDIBLE_DB = -30.0
"""Level of a microphone position, against the loudest, below which it cannot matter."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One stored candidate.

    Attributes
    ----------
    cost, table_cost : exact and on the tables
    feasible : whether every limit holds
    shared : the shared numbers of its trial
    placements : one a track
    lateral_deg, early_late_db : (track,) what is heard of it
    """

    cost: float
    table_cost: float
    feasible: bool
    shared: tuple[tuple[str, float], ...]
    placements: tuple[Placement, ...]
    lateral_deg: tuple[float, ...]
    early_late_db: tuple[float, ...]


def trial_of(
    judge: Judge,
    *,
    deadline: float | None,
    stop: Callable[[], bool],
    progress: Callable[[Progress], None] | None = None,
) -> Callable[[Mapping[str, Any], int], TrialOutcome]:
    """The function that runs one trial of a study.

    Parameters
    ----------
    judge : Judge
    deadline : float or None
        `time.monotonic` at which the study should be done.
    stop : callable
        True ends the inner search at once.
    progress : callable, optional
        Told of the best so far a few times a second.

    Returns
    -------
    callable
        (shared numbers, seed) -> TrialOutcome
    """
    evaluations = EVALUATIONS_PER_TRACK * len(judge.material.cue.tracks)

    def trial(shared: Mapping[str, Any], seed: int) -> TrialOutcome:
        tables, scorer = judge.at(shared)
        until = None
        if deadline is not None:
            left = max(0.0, deadline - time.monotonic())
            until = time.monotonic() + left - max(EXACT_SECONDS, EXACT_SHARE * left)
        budget = Budget(evaluations, until, stop)
        done = run_trial(tables, scorer, seed=seed, budget=budget, progress=progress)
        late = until is not None and time.monotonic() >= until
        rows = [
            _row(judge.material.cue, scored, table_cost)
            for scored, table_cost in zip(done.scored, done.table_costs, strict=True)
        ]
        payload = {
            "candidates": rows,
            "evaluations": done.evaluations,
            "history": [[count, round(cost, 6)] for count, cost in done.history],
        }
        return TrialOutcome(done.scored[0].cost.total, payload, cut_short=late or stop())

    return trial


def _row(cue: Cue, scored: Scored, table_cost: float) -> dict[str, Any]:
    figures = scored.cost.figures
    return {
        "cost": float(scored.cost.total),
        "table_cost": float(table_cost),
        "feasible": bool(scored.cost.feasible),
        "tracks": [
            placement_values(track, placement)
            for track, placement in zip(cue.tracks, scored.placements, strict=True)
        ],
        "weighted": weighted(scored.cost, cue.weights),
        "lateral_deg": [round(float(v), 2) for v in figures["lateral_deg"]],
        "early_late_db": [round(float(v), 2) for v in figures["early_late_db"]],
    }


def candidates(cue: Cue, trials: Sequence[Trial]) -> list[Candidate]:
    """All candidates of a study, best first, each once.

    Raises
    ------
    StorageError
        A stored trial does not fit the cue.
    """
    found: dict[Any, Candidate] = {}
    for trial in trials:
        shared = tuple(sorted((name, float(v)) for name, v in trial.numbers.items()))
        try:
            for row in trial.payload["candidates"]:
                one = _candidate(cue, shared, row)
                found.setdefault((shared, one.placements), one)
        except (LookupError, TypeError, ValueError, OverflowError) as error:
            raise StorageError(
                f"trial {trial.ordinal} of worker {trial.lane}: does not fit the cue {cue.path} "
                f"({error!r}); is the journal damaged? move it away to start anew"
            ) from error
    return sorted(found.values(), key=lambda one: one.cost)


def _candidate(
    cue: Cue, shared: tuple[tuple[str, float], ...], row: Mapping[str, Any]
) -> Candidate:
    lateral, early_late = (
        tuple(float(value) for value in row[name]) for name in ("lateral_deg", "early_late_db")
    )
    costs = (float(row["cost"]), float(row["table_cost"]))
    if len(lateral) != len(cue.tracks) or len(early_late) != len(cue.tracks):
        raise ValueError("a value a track is missing")
    if not np.all(np.isfinite([*lateral, *early_late, *costs])):
        raise ValueError("a number is not finite")
    return Candidate(
        cost=costs[0],
        table_cost=costs[1],
        feasible=bool(row["feasible"]),
        shared=shared,
        placements=placements_from(cue.tracks, row["tracks"]),
        lateral_deg=lateral,
        early_late_db=early_late,
    )


def feature_arrays(found: Sequence[Candidate]) -> Features:
    """What can be heard of candidates, for the choice of the best few that differ."""
    positions = max(len(placement.blend_db) for placement in found[0].placements)
    blend = np.full((len(found), len(found[0].placements), positions), INAUDIBLE_DB)
    for row, one in enumerate(found):
        for index, placement in enumerate(one.placements):
            gains = np.array(placement.blend_db)
            gains = np.where(gains <= OFF_DB, INAUDIBLE_DB, gains - gains.max())
            blend[row, index, : gains.size] = np.maximum(gains, INAUDIBLE_DB)
    return Features(
        lateral_deg=np.array([one.lateral_deg for one in found]),
        drr_db=np.array([one.early_late_db for one in found]),
        blend_db=blend,
    )
