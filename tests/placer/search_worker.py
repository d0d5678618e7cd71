"""Workers for the tests of the study: fast made-up trials, run in their own processes.

As a script: `python -m tests.placer.search_worker STORAGE TRIALS LOG` joins the study "cue" and
writes a line to LOG as each trial's work ends, before it is stored. Where LOG is a folder, two
workers join, each with a file of its own there.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from placer.search.study import run_study
from placer.search.trials import StudyKey, StudyLimits, Trial, TrialOutcome, Value
from placer.search.workers import Link, run_workers

SPACE = {"spacing_m": [1.2, 0.8, 1.6], "pattern": ["omni", "cardioid"]}


def key(storage: str | Path, cue_hash: str = "aa11") -> StudyKey:
    """Return the test's study in some storage."""
    return StudyKey(storage, "cue", cue_hash, SPACE)


def outcome(numbers: dict[str, Value], seed: int) -> TrialOutcome:
    """Made-up trial: depends on numbers and seed only; its payload is of a real trial's size."""
    spacing = numbers["spacing_m"]
    assert isinstance(spacing, float)
    places = [(seed >> i) % 97 / 7 for i in range(400)]
    return TrialOutcome(spacing + seed % 1000 / 1000, {"places": places})


@dataclass(frozen=True)
class Plan:
    """What the workers of a test do: who meets whom, how many trials, and who is killed."""

    storage: str
    folder: Path
    trials: int
    together: int = 2
    killed: int | None = None
    cue_hash: str = "aa11"

    def wait(self, pattern: str, count: int) -> None:
        """Wait until so many signs lie in the folder."""
        limit = time.monotonic() + 60
        while len(list(self.folder.glob(pattern))) < count and time.monotonic() < limit:
            time.sleep(0.005)


def joined(link: Link, plan: Plan) -> None:
    """Join once all are there; one is killed in its third trial, while the others wait for it."""
    begun = 0

    def trial(numbers: dict[str, Value], seed: int) -> TrialOutcome:
        nonlocal begun
        begun += 1
        if begun == 1:
            (plan.folder / f"{link.index}.here").touch()
            plan.wait("*.here", plan.together)
        if begun == 3 and link.index == plan.killed:
            (plan.folder / f"{link.index}.killed").touch()
            os.kill(os.getpid(), signal.SIGKILL)
        if begun == 3 and plan.killed is not None:
            plan.wait("*.killed", 1)
        return outcome(numbers, seed)

    run_study(
        key(plan.storage, plan.cue_hash),
        trial,
        seed=7,
        limits=StudyLimits(trials=plan.trials, stop=link.stop),
        on_trial=lambda done: link.report((done.lane, done.ordinal)),
    )


def machine(link: Link, storage: str, trials: int, folder: str) -> None:
    """Run short trials; a line for each whose work has ended, one for each that is stored."""
    log = Path(folder, f"{os.getpid()}.log")

    def trial(numbers: dict[str, Value], seed: int) -> TrialOutcome:
        time.sleep(0.3)
        found = outcome(numbers, seed)
        with log.open("a") as file:
            file.write(f"ended {seed}\n")
        return found

    def told(done: Trial) -> None:
        with log.open("a") as file:
            file.write(f"stored {done.seed}\n")

    limits = StudyLimits(trials=trials, stop=link.stop)
    run_study(key(storage), trial, seed=7, limits=limits, on_trial=told)


def patient(link: Link, folder: str) -> None:
    """Say who one is, then wait to be stopped and say so."""
    Path(folder, f"{link.index}.pid").write_text(str(os.getpid()))
    link.report("ready")
    while not link.stop():
        time.sleep(0.01)
    Path(folder, f"{link.index}.end").write_text("stopped")


def main(storage: str, trials: str, log: str) -> None:
    """Run trials until the study has so many; note the end of each one's work."""
    if Path(log).is_dir():
        run_workers(machine, (storage, int(trials), log), workers=2)
        return

    def trial(numbers: dict[str, Value], seed: int) -> TrialOutcome:
        found = outcome(numbers, seed)
        with Path(log).open("a") as file:
            file.write(f"{seed}\n")
        return found

    run_study(key(storage), trial, seed=7, limits=StudyLimits(trials=int(trials)))


if __name__ == "__main__":
    main(*sys.argv[1:])
