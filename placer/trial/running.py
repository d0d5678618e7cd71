"""The study run in this process or in several.

*Conventions*: every worker has its own judge; they share the study and the table cache only.

`StudyOrder`: what to run. `reach`: whether it can be. `run`: all trials, once a limit is met.
"""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from placer.cue.records import Cue
from placer.progress import Quiet, Screen
from placer.search.landscape import Progress
from placer.search.study import read_trials, run_study
from placer.search.trials import Limits, StudyKey, Trial
from placer.search.workers import Link, run_workers
from placer.trial.judge import Judge
from placer.trial.material import shared_space
from placer.trial.outer import trial_of
from placer.trial.ready import Surveyed, make_ready

LEAST_SECONDS = 10.0
"""Search time that a run gets even if preparing took all that was asked for, s."""


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
    """

    cue: Cue
    surveyed: Surveyed
    key_hash: str
    storage: str | Path
    trials: int | None
    deadline: float | None
    workers: int

    @property
    def key(self) -> StudyKey:
        """The study's identity."""
        name = f"{self.cue.name}-{self.key_hash[:12]}"
        return StudyKey(self.storage, name, self.key_hash, shared_space(self.cue))


def reach(order: StudyOrder) -> int:
    """Join the study before anything long is begun: how many trials it holds.

    Raises
    ------
    StorageError
        The storage cannot be used or holds another cue's study.
    """
    return len(read_trials(order.key))


def run(
    order: StudyOrder, judge: Judge, *, stop: Callable[[], bool], screen: Screen
) -> tuple[Trial, ...]:
    """Run trials until a limit is met.

    Parameters
    ----------
    order : StudyOrder
    judge : Judge
        Of this process.
    stop : callable
    screen : Screen

    Returns
    -------
    tuple of Trial
        All trials of the study, in the order in which they were stored.

    Raises
    ------
    StorageError
        The storage cannot be used or holds another cue's study.
    """
    screen.say(f"reference: cost {judge.reference.cost.total:.4f}")
    order = dataclasses.replace(order, deadline=time_to_search(order.deadline))
    shown = _Shown(order, screen)
    if order.workers == 1:
        return _trials(order, judge, stop=stop, progress=shown.moved, on_trial=shown.ended)
    left = None if order.deadline is None else order.deadline - time.monotonic()
    run_workers(
        _worker,
        (order, left),
        workers=order.workers,
        stop=stop,
        on_message=lambda _index, trial: shown.ended(trial),
        on_tick=shown.tick,
    )
    # every worker has ended: joining once more only reads
    return run_study(
        order.key,
        trial_of(judge, deadline=0.0, stop=stop),
        seed=order.cue.search.seed,
        limits=Limits(own_trials=0),
    )


def _trials(
    order: StudyOrder,
    judge: Judge,
    *,
    stop: Callable[[], bool],
    progress: Callable[[Progress], None] | None,
    on_trial: Callable[[Trial], None],
) -> tuple[Trial, ...]:
    return run_study(
        order.key,
        trial_of(judge, deadline=order.deadline, stop=stop, progress=progress),
        seed=order.cue.search.seed,
        limits=Limits(trials=order.trials, deadline=order.deadline, stop=stop),
        on_trial=on_trial,
    )


def _worker(link: Link, order: StudyOrder, left: float | None) -> None:
    """One worker process: its own judge, the shared study."""
    deadline = None if left is None else time.monotonic() + left
    own = dataclasses.replace(order, deadline=deadline)
    judge = make_ready(own.surveyed, Quiet(), threads=1)
    _trials(own, judge, stop=link.stop, progress=None, on_trial=link.report)


def time_to_search(deadline: float | None) -> float | None:
    """The deadline, or `LEAST_SECONDS` from now where reading and tables have left less than that.

    However short the time, something must be tried.
    """
    return None if deadline is None else max(deadline, time.monotonic() + LEAST_SECONDS)


class _Shown:
    """Tells a screen how a search goes."""

    def __init__(self, order: StudyOrder, screen: Screen) -> None:
        self._screen = screen
        self._began = time.monotonic()
        left = None if order.deadline is None else order.deadline - self._began
        # reading and tables may have taken all of a short time
        self._seconds = None if left is None else max(1.0, left)
        self._trials, self._wanted = 0, order.trials
        self._best = float("inf")
        screen.stage("searching", self._seconds or order.trials)

    def _advance(self, note: str) -> None:
        passed = time.monotonic() - self._began
        if self._seconds is not None and passed > self._seconds:
            passed, note = self._seconds, f"time is up, finishing the trial; {note}"
        self._screen.advance(self._trials if self._seconds is None else passed, note)

    def moved(self, progress: Progress) -> None:
        """The inner search has moved on."""
        speed = progress.evaluations / max(progress.seconds, 1e-6)
        best = min(self._best, progress.best_cost)
        self._advance(f"best {best:.4f}, trial {self._trials + 1}, {speed:,.0f} moves/s")

    def ended(self, trial: Trial) -> None:
        """A trial has been stored."""
        self._trials += 1
        if trial.cost < self._best:
            self._best = trial.cost
            self._screen.say(f"trial {self._trials}: cost {trial.cost:.4f}")
        self._advance(f"best {self._best:.4f}, {self._trials} trials")

    def tick(self) -> None:
        """Time has passed."""
        self._advance(f"best {self._best:.4f}, {self._trials} trials")
