"""One trial of a study: a whole search at one geometry, and what is stored of it.

*Conventions*: a trial's payload holds its rungs as plain values, in order of effort.

`trial_of`: the function that the study calls. `Candidate`: one stored rung. `ladders`: the rungs of
every stored trial.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from placer.cue.records import RUNGS, Cue, Placement
from placer.errors import StorageError
from placer.run.evaluator import Arrangement, Evaluator, shared_space
from placer.run.kept_moves import NO_ANSWERS, Answers
from placer.run.ladder import Rung, search_rungs
from placer.run.plain import placement_values, placements_from
from placer.run.rounds import Budget
from placer.run.standing import Standing, standing_of
from placer.run.unit_options import units_of
from placer.search.trials import Trial, TrialOutcome
from placer.search.units import Units

LEAST_TRIAL, MOST_TRIALS = 60.0, 8
"""Seconds that a trial has at least, and trials that a time is shared between where the study has
geometries to choose from, or time for more than one way."""

LONG = 900.0
"""Seconds from which more than one trial is run at one geometry."""

LEAST_GAIN = 1e-3
"""A mix must beat the reference by this much cost to be worth hearing."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One stored rung.

    Attributes
    ----------
    rung : its name
    cost : of the mix
    shared : the shared numbers of its trial
    placements : one a track
    steps : numbers of the tracks that move together, in the order to do so
    nested : whether its path goes on from that of the rung before
    """

    rung: str
    cost: float
    shared: tuple[tuple[str, float], ...]
    placements: tuple[Placement, ...]
    steps: tuple[tuple[int, ...], ...]
    nested: bool


def trial_of(
    evaluator: Evaluator,
    *,
    deadline: float | None,
    stop: Callable[[], bool],
    answers: Answers = NO_ANSWERS,
    progress: Callable[[Standing], None] | None = None,
) -> Callable[[Mapping[str, Any], int], TrialOutcome]:
    """The function that runs one trial of a study, from its shared numbers and seed.

    Parameters
    ----------
    deadline : float or None
        `time.monotonic` at which the study should be done.
    stop : callable
        True ends the search at once.
    answers : Answers
        Moves of an earlier search that are held or refused.
    progress : callable, optional
        Told how the search stands, now and then.
    """
    whole = 0.0 if deadline is None else max(0.0, deadline - time.monotonic())
    several = bool(shared_space(evaluator.cue)) or whole > LONG
    most = max(LEAST_TRIAL, whole / MOST_TRIALS) if several else whole

    def trial(shared: Mapping[str, Any], seed: int) -> TrialOutcome:
        arranged = evaluator.at(shared)
        seconds = None
        if deadline is not None:
            left = max(0.0, deadline - time.monotonic())
            seconds = left if left < 1.5 * most else most
        found = search_rungs(
            evaluator,
            arranged,
            seed=seed,
            budget=Budget(seconds, stop),
            answers=answers,
            progress=progress,
        )
        costs = [rung.cost for rung in found.rungs]
        best = min(costs, default=evaluator.reference.total)
        payload = {
            "rungs": [_row(evaluator, arranged, rung) for rung in found.rungs],
            "evaluations": found.evaluations,
        }
        return TrialOutcome(best, payload, cut_short=stop())

    return trial


def _row(evaluator: Evaluator, arranged: Arrangement, rung: Rung) -> dict[str, Any]:
    cue, standing = evaluator.cue, standing_of(evaluator, arranged, rung.placements)
    return {
        "name": rung.name,
        "cost": float(rung.cost),
        "nested": rung.nested,
        "steps": [list(step) for step in rung.steps],
        "tracks": [
            placement_values(track, placement)
            for track, placement in zip(cue.tracks, rung.placements, strict=True)
        ],
        "audible": round(standing.audible, 6),
        "moved": standing.moved,
    }


def tracks_of_steps(
    units: Units, steps: Sequence[Sequence[int]], placements: Sequence[Placement], cue: Cue
) -> tuple[tuple[int, ...], ...]:
    """Tracks that move in each step, those left out that stay where they are."""
    found = []
    for step in steps:
        tracks = [track for unit in step for track in units.members[unit]]
        moved = [track for track in tracks if placements[track] != cue.tracks[track].start]
        found.append(tuple(moved))
    return tuple(step for step in found if step)


def ladders(cue: Cue, trials: Sequence[Trial]) -> list[tuple[Candidate, ...]]:
    """The rungs of every stored trial that found any, in the order of the trials.

    Raises
    ------
    StorageError
        A stored trial does not fit the cue.
    """
    found, units = [], units_of(cue)
    for trial in trials:
        shared = tuple(sorted((name, float(v)) for name, v in trial.numbers.items()))
        try:
            if int(trial.payload["evaluations"]) < 0:
                raise ValueError("less than no evaluations")
            rungs = tuple(_candidate(cue, units, shared, row) for row in trial.payload["rungs"])
        except (LookupError, TypeError, ValueError, OverflowError) as error:
            raise StorageError(
                f"trial {trial.ordinal} of worker {trial.lane}: does not fit the cue {cue.path} "
                f"({error!r}); is the journal damaged? move it away to start anew"
            ) from error
        if rungs:
            found.append(rungs)
    return found


def _candidate(
    cue: Cue, units: Units, shared: tuple[tuple[str, float], ...], row: Mapping[str, Any]
) -> Candidate:
    cost = float(row["cost"])
    if not math.isfinite(cost):
        raise ValueError("a number is not finite")
    if row["name"] not in RUNGS:
        raise ValueError(f"{row['name']!r} is no rung")
    placements = placements_from(cue.tracks, row["tracks"])
    steps = [[int(unit) for unit in step] for step in row["steps"]]
    if any(not 0 <= unit < len(units) for step in steps for unit in step):
        raise ValueError("a step names no track of this cue")
    return Candidate(
        rung=row["name"],
        cost=cost,
        shared=shared,
        placements=placements,
        steps=tracks_of_steps(units, steps, placements, cue),
        nested=bool(row["nested"]),
    )
