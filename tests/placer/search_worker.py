"""Workers for the tests of the study: fast made-up trials, run in their own processes.

As a script: `python -m tests.placer.search_worker STORAGE TRIALS LOG` joins the study "cue" and
writes a line to LOG as each trial's work ends, before it is stored.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path

from placer.search.study import run_study
from placer.search.trials import Limits, StudyKey, TrialOutcome, Value
from placer.search.workers import Link

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


def joined(link: Link, storage: str, cue_hash: str, trials: int, killed: int | None) -> None:
    """Join with a few trials; worker `killed` is killed in the middle of its third."""
    begun = 0

    def trial(numbers: dict[str, Value], seed: int) -> TrialOutcome:
        nonlocal begun
        begun += 1
        if link.index == killed and begun == 3:
            os.kill(os.getpid(), signal.SIGKILL)
        time.sleep(0.05)
        return outcome(numbers, seed)

    run_study(
        key(storage, cue_hash),
        trial,
        seed=7,
        limits=Limits(trials=trials, stop=link.stop),
        on_trial=lambda done: link.report((done.lane, done.ordinal)),
    )


def patient(link: Link, folder: str) -> None:
    """Say who one is, then wait to be stopped and say so."""
    Path(folder, f"{link.index}.pid").write_text(str(os.getpid()))
    link.report("ready")
    while not link.stop():
        time.sleep(0.01)
    Path(folder, f"{link.index}.end").write_text("stopped")


def main(storage: str, trials: str, log: str) -> None:
    """Run trials until the study has so many; note the end of each one's work."""

    def trial(numbers: dict[str, Value], seed: int) -> TrialOutcome:
        found = outcome(numbers, seed)
        with Path(log).open("a") as file:
            file.write(f"{seed}\n")
        return found

    run_study(key(storage), trial, seed=7, limits=Limits(trials=int(trials)))


if __name__ == "__main__":
    main(*sys.argv[1:])
