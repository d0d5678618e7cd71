"""The study run in this process or in several.

*Conventions*: every worker has its own evaluator; they share the study and the cache of
measured sound only.

`StudyOrder`: what to run. `study_key`: the study it joins. `run`: all trials, once a limit is met.
`Pace`: whether one more trial is worth beginning.
"""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from placer.cue.records import Cue
from placer.progress import Quiet, Screen
from placer.run.evaluator import Evaluator, shared_space
from placer.run.kept_moves import NO_ANSWERS, Answers, answered_hash
from placer.run.ready import Surveyed, make_ready, settings_hash
from placer.run.shown import Shown
from placer.run.standing import Standing, audible_share
from placer.run.trial import trial_of
from placer.search.study import read_trials, run_study
from placer.search.trials import StudyKey, StudyLimits, Trial
from placer.search.workers import Link, run_workers
from placer.version import version

LEAST_SECONDS = 10.0
"""Search time that a run gets even if preparing took all that was asked for, s."""

LEAST_PART = 0.25
"""Part of the last trial's time for which one more trial is still begun."""


@dataclass(frozen=True, slots=True)
class StudyOrder:
    """What to run.

    Attributes
    ----------
    cue, surveyed : what is searched
    key_hash : of the cue and its stems
    storage : journal file or URL
    trials : end after so many in all, or None
    deadline : `time.monotonic` to be done by, or None
    workers : processes
    answers : moves of an earlier search that are held or refused
    """

    cue: Cue
    surveyed: Surveyed
    key_hash: str
    storage: str | Path
    trials: int | None
    deadline: float | None
    workers: int
    answers: Answers = NO_ANSWERS

    @property
    def key(self) -> StudyKey:
        """The study's identity."""
        return study_key(self.cue, self.key_hash, self.storage, self.answers)


def study_key(
    cue: Cue, key_hash: str, storage: str | Path, answers: Answers = NO_ANSWERS
) -> StudyKey:
    """Which study a search of a cue joins, and what all its workers must agree on.

    Its name is of the cue's values alone: machines with other stems meet in one study, where the
    second is refused, and do not search side by side without a word.

    Parameters
    ----------
    key_hash : str
        Of the cue, its stems and the answers.
    storage : str or Path
        Journal file or URL.
    """
    name = f"{cue.name}-{answered_hash(settings_hash(cue), answers)[:12]}"
    return StudyKey(storage, name, key_hash, shared_space(cue), version())


def run(
    order: StudyOrder, evaluator: Evaluator, *, stop: Callable[[], bool], screen: Screen
) -> tuple[Trial, ...]:
    """Run trials until a limit is met.

    Parameters
    ----------
    evaluator : Evaluator
        Of this process.

    Returns
    -------
    tuple of Trial
        All trials of the study, in the order in which they were stored.

    Raises
    ------
    StorageError
        The storage cannot be used or holds another cue's study.
    """
    reference = evaluator.reference
    order = dataclasses.replace(order, deadline=time_to_search(order.deadline))
    shown = Shown(
        screen,
        deadline=order.deadline,
        wanted=order.trials,
        reference=(reference.total, audible_share(reference, evaluator.scene)),
        before=read_trials(order.key),
    )
    if order.workers == 1:
        return _trials(order, evaluator, stop=stop, progress=shown.moved, on_trial=shown.ended)
    left = None if order.deadline is None else order.deadline - time.monotonic()
    evaluator.let_go()  # this process waits
    run_workers(
        _worker,
        (order, left),
        workers=order.workers,
        stop=stop,
        on_message=lambda index, told: (
            shown.moved(told, index) if isinstance(told, Standing) else shown.ended(told, index)
        ),
        on_tick=shown.tick,
    )
    return read_trials(order.key)


def _trials(
    order: StudyOrder,
    evaluator: Evaluator,
    *,
    stop: Callable[[], bool],
    progress: Callable[[Standing], None] | None,
    on_trial: Callable[[Trial], None],
) -> tuple[Trial, ...]:
    pace = Pace(order.deadline)

    def ended(trial: Trial) -> None:
        pace.end()
        on_trial(trial)

    return run_study(
        order.key,
        trial_of(
            evaluator, deadline=order.deadline, stop=stop, answers=order.answers, progress=progress
        ),
        seed=order.cue.search.seed,
        limits=StudyLimits(
            trials=order.trials, deadline=order.deadline, stop=lambda: stop() or pace.short
        ),
        on_trial=ended,
    )


class Pace:
    """Whether one more trial is worth beginning.

    A trial with a small part of the time that the last one took would only be late.

    Parameters
    ----------
    deadline : float or None
        `time.monotonic` to be done by.
    """

    def __init__(self, deadline: float | None) -> None:
        self._deadline, self._begun = deadline, time.monotonic()
        self._took = 0.0

    def end(self) -> None:
        """A trial has ended, and the next may begin."""
        now = time.monotonic()
        self._took, self._begun = now - self._begun, now

    @property
    def short(self) -> bool:
        """Whether what is left is less than `LEAST_PART` of what the last trial took."""
        if self._deadline is None:
            return False
        return self._deadline - time.monotonic() < LEAST_PART * self._took


def _worker(link: Link, order: StudyOrder, left: float | None) -> None:
    """One worker process: its own evaluator, the shared study."""
    deadline = None if left is None else time.monotonic() + left
    evaluator = make_ready(order.surveyed, Quiet(), workers=order.workers)
    # a worker reads stems and measures for itself, which may have taken all that was left
    own = dataclasses.replace(order, deadline=time_to_search(deadline))
    _trials(own, evaluator, stop=link.stop, progress=link.report, on_trial=link.report)


def time_to_search(deadline: float | None) -> float | None:
    """The deadline, or `LEAST_SECONDS` from now where measuring has left less than that.

    However short the time, something must be tried.
    """
    return None if deadline is None else max(deadline, time.monotonic() + LEAST_SECONDS)
