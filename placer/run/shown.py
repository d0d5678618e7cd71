"""What a person is told while a study runs: what is audible now and in the best, moves, trials.

*Conventions*: "now", "best so far" and "at first" are on one scale (`placer.run.standing`); the
best is that of the lowest cost, which a person need not read, and before a trial is done the
clearest. The bar counts seconds where time bounds the
search, else trials.

`Shown`: tells a screen. What it says is also what the log of a night keeps.
"""

from __future__ import annotations

import time
from collections.abc import Sequence

from placer.progress import Screen
from placer.run.standing import Standing, stored
from placer.search.trials import Trial


class Shown:
    """Tells a screen how a search goes.

    Parameters
    ----------
    deadline : float or None
        `time.monotonic` by which to be done.
    wanted : int or None
        Trials in all.
    reference : (float, float)
        Cost of the reference, and what part of its foreground is audible.
    before : sequence of Trial
        Already in the study.
    """

    def __init__(
        self,
        screen: Screen,
        *,
        deadline: float | None,
        wanted: int | None,
        reference: tuple[float, float],
        before: Sequence[Trial] = (),
    ) -> None:
        self._screen = screen
        self._began = time.monotonic()
        # reading and measuring may have taken all of a short time
        self._seconds = None if deadline is None else max(1.0, deadline - self._began)
        self._trials = 0
        self._lowest, self._first = reference
        self._best: Standing | None = None
        self._peak: Standing | None = None  # the clearest of trials that are not finished
        self._moving: dict[int, Standing] = {}
        screen.stage("searching", self._seconds or wanted)
        for trial in before:
            self._count(trial)
        if before:
            screen.say(f"going on after {self._counted}: {self._audible()}")

    @property
    def _counted(self) -> str:
        return f"{self._trials} trial{'' if self._trials == 1 else 's'}"

    def _audible(self, now: Standing | None = None) -> str:
        """What is audible of the foreground now, in the best so far and at first, and the moves."""
        told = [f"now {_share(now)}"] if now is not None else []
        best = self._best or self._peak
        told += [f"best so far {_share(best)}"] if best not in (None, now) else []
        return f"foreground audible {', '.join([*told, f'at first {100 * self._first:.1f} %'])}"

    def _count(self, trial: Trial) -> bool:
        """Count a trial; whether it is the best."""
        self._trials += 1
        if trial.cost >= self._lowest:
            return False
        self._lowest, self._best = trial.cost, stored(trial.payload)
        return True

    def moved(self, standing: Standing, worker: int = 0) -> None:
        """The search of a worker has moved on."""
        self._moving[worker] = standing
        if self._peak is None or standing.audible > self._peak.audible:
            self._peak = standing
        self.tick()

    def ended(self, trial: Trial, worker: int = 0) -> None:
        """A trial has been stored."""
        self._moving.pop(worker, None)
        if self._count(trial):
            self._screen.say(f"trial {self._trials} is better: {self._audible()}")
        elif self._trials == 1:
            self._screen.say("trial 1: no better than the reference")
        self.tick()

    def tick(self) -> None:
        """Show how things stand."""
        now = max(self._moving.values(), key=lambda one: one.audible, default=None)
        count = f"{self._counted} done" if self._trials else "first search under way"
        parts = [self._audible(now), count]
        if tried := sum(one.evaluations for one in self._moving.values()):
            parts.append(f"{tried:,d} placements tried in this one")
        note, passed = "; ".join(parts), time.monotonic() - self._began
        if self._seconds is not None and passed > self._seconds:
            passed, note = self._seconds, f"time is up, this trial ends; {note}"
        self._screen.advance(self._trials if self._seconds is None else passed, note)


def _share(one: Standing) -> str:
    """What is audible of the foreground, and for how many moves."""
    moved = "no track" if one.moved == 0 else f"{one.moved} track{'s' if one.moved > 1 else ''}"
    return f"{100 * one.audible:.1f} % ({moved} moved)"
