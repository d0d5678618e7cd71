"""Several processes: one study, independent of one another's end."""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from pathlib import Path

import pytest

from placer.errors import PlacerError, StorageError
from placer.search.study import read_trials, run_study
from placer.search.trials import StudyLimits, seed_of
from placer.search.workers import Link, WorkerError, run_workers
from tests.placer.search_worker import Plan, joined, key, outcome, patient


def meeting(folder: Path) -> Path:
    """Return an empty folder for the workers' signs."""
    (folder / "meeting").mkdir()
    return folder / "meeting"


def test_two_workers_share_one_study(tmp_path: Path) -> None:
    """Two processes do the trials together, in two lanes, no seed twice."""
    journal = tmp_path / "study.journal"
    told: list[tuple[int, int]] = []
    codes = run_workers(
        joined, (Plan(str(journal), meeting(tmp_path), 12),), workers=2,
        on_message=lambda _index, message: told.append(message),
    )  # fmt: skip
    trials = read_trials(key(journal))
    assert codes == (0, 0)
    assert len(trials) in (12, 13)  # both may have begun the last one
    assert {t.lane for t in trials} == {0, 1}
    assert len({t.seed for t in trials}) == len(trials)
    assert all(t.seed == seed_of(7, t.lane, t.ordinal) for t in trials)
    assert sorted(told) == sorted((t.lane, t.ordinal) for t in trials)


def test_a_killed_worker_does_not_disturb_the_other(tmp_path: Path) -> None:
    """One is killed in mid-trial: the other finishes the study, and the lane is free again."""
    journal = tmp_path / "study.journal"
    codes = run_workers(joined, (Plan(str(journal), meeting(tmp_path), 12, killed=1),), workers=2)
    assert codes == (0, -signal.SIGKILL)
    trials = read_trials(key(journal))
    lanes = [sum(t.lane == lane for t in trials) for lane in (0, 1)]
    assert sorted(lanes) == [2, 10]
    after = run_study(key(journal), outcome, seed=7, limits=StudyLimits(trials=13))
    assert after[-1].lane == 0
    assert [p.name for p in tmp_path.glob("*lane*")] in ([], ["study.journal.lane-1"])


def test_workers_with_other_stems_are_refused(tmp_path: Path) -> None:
    """The workers' own clear line reaches the parent."""
    journal = tmp_path / "study.journal"
    run_study(key(journal), outcome, seed=1, limits=StudyLimits(trials=1))
    with pytest.raises(StorageError, match="these have bb22"):
        run_workers(joined, (Plan(str(journal), tmp_path, 3, cue_hash="bb22"),), workers=2)


def broken(link: Link) -> None:
    """Fail."""
    raise ZeroDivisionError(f"worker {link.index}")


def test_a_fault_arrives_with_its_traceback() -> None:
    """A worker's fault is not hidden."""
    with pytest.raises(WorkerError, match=r"in broken\n(.*\n)*ZeroDivisionError: worker 0"):
        run_workers(broken, (), workers=1)


def test_all_killed_is_an_error(tmp_path: Path) -> None:
    """If no worker is left, the parent says so."""
    with pytest.raises(PlacerError, match="every worker was killed .*fewer --workers"):
        run_workers(joined, (Plan(str(tmp_path / "a"), tmp_path, 12, 1, 0),), workers=1)


def test_stop_reaches_every_worker(tmp_path: Path) -> None:
    """Once asked to stop, workers are told and end by themselves."""
    ready: list[int] = []
    codes = run_workers(
        patient, (str(tmp_path),), workers=2, stop=lambda: len(ready) == 2,
        on_message=lambda index, _message: ready.append(index),
    )  # fmt: skip
    assert codes == (0, 0)
    assert len(list(tmp_path.glob("*.end"))) == 2


def parent(folder: str) -> None:
    """Be a parent that waits for its worker."""
    run_workers(patient, (folder,), workers=1)


def test_workers_stop_when_their_parent_is_gone(tmp_path: Path) -> None:
    """Killing the parent leaves no worker behind."""
    process = multiprocessing.get_context("spawn").Process(target=parent, args=(str(tmp_path),))
    process.start()
    limit = time.monotonic() + 30
    while not (tmp_path / "0.pid").exists() and time.monotonic() < limit:
        time.sleep(0.05)
    process.kill()
    process.join()
    while not (tmp_path / "0.end").exists() and time.monotonic() < limit:
        time.sleep(0.05)
    assert (tmp_path / "0.end").read_text() == "stopped"


def test_sigterm_to_a_worker_is_graceful(tmp_path: Path) -> None:
    """A worker that is asked to end by itself stops as if told."""

    def ask(_index: int, _message: object) -> None:
        os.kill(int((tmp_path / "0.pid").read_text()), signal.SIGTERM)

    codes = run_workers(patient, (str(tmp_path),), workers=1, on_message=ask)
    assert codes == (0,)
    assert (tmp_path / "0.end").exists()
