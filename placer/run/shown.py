"""What a person is told while a study runs: best cost, what improved, moves, trials, time left.

*Conventions*: a best is named with the term that fell most and the one that rose most
(`placer.run.terms`). The bar counts seconds where time bounds the search, else trials.

`Shown`: tells a screen. What it says is also what the log of a night keeps.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence

from placer.progress import Screen
from placer.run.terms import changes, stored
from placer.search.landscape import Progress
from placer.search.trials import Trial


class Shown:
    """Tells a screen how a search goes.

    Parameters
    ----------
    screen : Screen
    deadline : float or None
        `time.monotonic` by which to be done.
    wanted : int or None
        Trials in all.
    reference : (float, mapping)
        Cost of the reference and what each term adds to it.
    before : sequence of Trial
        Already in the study.
    """

    def __init__(
        self,
        screen: Screen,
        *,
        deadline: float | None,
        wanted: int | None,
        reference: tuple[float, Mapping[str, float]],
        before: Sequence[Trial] = (),
    ) -> None:
        self._screen = screen
        self._began = time.monotonic()
        # reading and tables may have taken all of a short time
        self._seconds = None if deadline is None else max(1.0, deadline - self._began)
        self._trials = 0
        self._reference = self._best = reference
        self._best_name = "the reference"
        self._moving: dict[int, Progress] = {}
        screen.stage("searching", self._seconds or wanted)
        for trial in before:
            self._count(trial)
        if before:
            screen.say(f"going on after {self._counted}: {self._standing}")

    @property
    def _counted(self) -> str:
        return f"{self._trials} trial{'' if self._trials == 1 else 's'}"

    @property
    def _standing(self) -> str:
        """The best so far, and what is better in it than in the reference."""
        if self._best is self._reference:
            return f"reference {self._reference[0]:.4f}"
        return _named(self._best[0], changes(self._best[1], self._reference[1]))

    def _count(self, trial: Trial) -> bool:
        """Count a trial; whether it is the best."""
        self._trials += 1
        if trial.cost >= self._best[0]:
            return False
        self._best, self._best_name = (trial.cost, stored(trial.payload)), f"trial {self._trials}"
        return True

    def moved(self, progress: Progress, worker: int = 0) -> None:
        """The inner search of a worker has moved on."""
        self._moving[worker] = progress
        self.tick()

    def ended(self, trial: Trial, worker: int = 0) -> None:
        """A trial has been stored."""
        self._moving.pop(worker, None)
        before, name = self._best, self._best_name
        if self._count(trial):
            change = changes(self._best[1], before[1])
            against = f" against {name}" if change else ""
            self._screen.say(f"trial {self._trials}: {_named(trial.cost, change + against)}")
        elif self._trials == 1:
            self._screen.say(f"trial 1: cost {trial.cost:.4f}, no better than the reference")
        self.tick()

    def tick(self) -> None:
        """Show how things stand."""
        parts = [self._standing, self._counted]
        if self._moving:
            moving = self._moving.values()
            tried = sum(one.evaluations for one in moving)
            parts.append(f"now at {min(one.best_cost for one in moving):.4f}")
            parts.append(f"{tried:,d} placements tried in this round")
        note, passed = ", ".join(parts), time.monotonic() - self._began
        if self._seconds is not None and passed > self._seconds:
            passed, note = self._seconds, f"time is up, finishing the trial; {note}"
        self._screen.advance(self._trials if self._seconds is None else passed, note)


def _named(cost: float, change: str) -> str:
    return f"best {cost:.4f} ({change})" if change else f"best {cost:.4f}"
