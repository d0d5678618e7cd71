"""The study: repeatable, shared, and not to be lost by any kill."""

from __future__ import annotations

import json
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy.exc import OperationalError

from placer.errors import CueError, StorageError
from placer.search import study
from placer.search.study import read_trials, run_study, suggest
from placer.search.trials import StudyKey, StudyLimits, Trial, TrialOutcome, Value
from tests.placer.search_worker import SPACE, key, outcome

ROOT = Path(__file__).parents[2]


def test_one_worker_repeats_itself(tmp_path: Path) -> None:
    """Bounded by trials, one worker with one seed gives the same study twice; not with another."""
    first = run_study(key(tmp_path / "a"), outcome, seed=1, limits=StudyLimits(trials=13))
    again = run_study(key(tmp_path / "b"), outcome, seed=1, limits=StudyLimits(trials=13))
    other = run_study(key(tmp_path / "c"), outcome, seed=2, limits=StudyLimits(trials=13))
    assert len(first) == 13
    assert first == again
    assert first != other


def test_going_on_equals_going_through(tmp_path: Path) -> None:
    """Five trials and then the rest is the same study as all at once; then nothing is left."""
    run_study(key(tmp_path / "a"), outcome, seed=1, limits=StudyLimits(trials=5))
    assert len(read_trials(key(tmp_path / "a"))) == 5
    resumed = run_study(key(tmp_path / "a"), outcome, seed=1, limits=StudyLimits(trials=13))
    through = run_study(key(tmp_path / "b"), outcome, seed=1, limits=StudyLimits(trials=13))
    assert resumed == through
    assert read_trials(key(tmp_path / "a")) == through
    assert run_study(key(tmp_path / "a"), outcome, seed=1, limits=StudyLimits(trials=13)) == through


def test_first_trial_is_the_composers_own(tmp_path: Path) -> None:
    """The first trial uses the first value of every shared number; later ones leave it."""
    trials = run_study(key(tmp_path / "a"), outcome, seed=1, limits=StudyLimits(trials=12))
    assert trials[0].numbers == {"spacing_m": 1.2, "pattern": "omni"}
    assert len({tuple(t.numbers.values()) for t in trials}) > 2


def test_good_numbers_are_tried_more(tmp_path: Path) -> None:
    """Once it has seen some trials, the study asks for what was good more often than chance."""
    quiet = {"width_m": [5, 1, 2, 3, 4, 6, 7, 8]}
    wide = StudyKey(tmp_path / "a", "cue", "h", quiet)
    trials = run_study(
        wide, lambda n, _seed: TrialOutcome(abs(float(n["width_m"]) - 2), {}), seed=3,
        limits=StudyLimits(trials=40),
    )  # fmt: skip
    near = [abs(float(t.numbers["width_m"]) - 2) <= 1 for t in trials[20:]]
    assert sum(near) / len(near) > 0.6  # chance: 3 of 8


def test_study_without_shared_numbers(tmp_path: Path) -> None:
    """A cue of recorded tracks has no room numbers: restarts with different seeds remain."""
    bare = StudyKey(tmp_path / "a", "cue", "h")
    trials = run_study(bare, lambda _n, s: TrialOutcome(1.0, {"s": s}), seed=1,
                       limits=StudyLimits(trials=4))  # fmt: skip
    assert [t.numbers for t in trials] == [{}] * 4
    assert len({t.seed for t in trials}) == 4
    assert [t.payload["s"] for t in trials] == [t.seed for t in trials]


def test_cut_short_trials_are_kept_but_do_not_count(tmp_path: Path) -> None:
    """An interrupted trial's find is stored; the study still runs its number of whole trials."""
    stop = False

    def interrupted(numbers: dict[str, Value], seed: int) -> TrialOutcome:
        nonlocal stop
        stop = len(read_trials(key(tmp_path / "a"))) == 2
        return TrialOutcome(outcome(numbers, seed).cost, {}, cut_short=stop)

    kept = run_study(key(tmp_path / "a"), interrupted, seed=1,
                     limits=StudyLimits(trials=5, stop=lambda: stop))  # fmt: skip
    assert [t.cut_short for t in kept] == [False, False, True]
    after = run_study(key(tmp_path / "a"), outcome, seed=1, limits=StudyLimits(trials=5))
    assert sum(not t.cut_short for t in after) == 5
    assert len({t.seed for t in after}) == 6


def test_trials_and_deadline(tmp_path: Path) -> None:
    """Whole trials and a deadline end it; each stored trial is told to the caller."""
    told: list[Trial] = []
    run_study(key(tmp_path / "a"), outcome, seed=1, limits=StudyLimits(trials=2),
              on_trial=told.append)  # fmt: skip
    more = run_study(key(tmp_path / "a"), outcome, seed=1, limits=StudyLimits(trials=3))
    assert len(more) == 3
    assert tuple(told) == more[:2]
    late = StudyLimits(deadline=time.monotonic() - 1)
    assert run_study(key(tmp_path / "a"), outcome, seed=1, limits=late) == more


def test_other_stems_are_refused(tmp_path: Path) -> None:
    """A worker with other files may not join, and says why in one line with both hashes."""
    run_study(key(tmp_path / "a"), outcome, seed=1, limits=StudyLimits(trials=1))
    with pytest.raises(StorageError, match=r"hash aa11, these have bb22; use the same files") as e:
        run_study(key(tmp_path / "a", "bb22"), outcome, seed=1, limits=StudyLimits(trials=2))
    assert "\n" not in str(e.value)
    assert len(read_trials(key(tmp_path / "a"))) == 1


def test_another_version_is_refused(tmp_path: Path) -> None:
    """What two versions measure is not comparable: one line names both, and nothing is stored."""
    ours = replace(key(tmp_path / "a"), version="1.1+ab")
    run_study(ours, outcome, seed=1, limits=StudyLimits(trials=1))
    other = replace(ours, version="1.1+cd")
    with pytest.raises(
        StorageError, match=r"by placer 1\.1\+ab, this is placer 1\.1\+cd; use the same version"
    ) as e:
        run_study(other, outcome, seed=1, limits=StudyLimits(trials=2))
    assert "\n" not in str(e.value)
    assert "--out" in str(e.value)
    assert len(read_trials(ours)) == 1


def test_a_study_that_names_no_version_is_of_another(tmp_path: Path) -> None:
    """A journal from before versions were written is refused as such, not as damaged."""
    run_study(key(tmp_path / "a"), outcome, seed=1, limits=StudyLimits(trials=1))
    text = (tmp_path / "a").read_text()
    assert text.count('"version":"",') == 1
    (tmp_path / "a").write_text(text.replace('"version":"",', ""))
    with pytest.raises(StorageError, match="begun by placer of an older kind, this is placer 9"):
        read_trials(replace(key(tmp_path / "a"), version="9"))


def test_other_shared_numbers_are_refused(tmp_path: Path) -> None:
    """A study over one set of numbers cannot go on with another."""
    run_study(key(tmp_path / "a"), outcome, seed=1, limits=StudyLimits(trials=1))
    narrow = StudyKey(tmp_path / "a", "cue", "aa11", {**SPACE, "spacing_m": [1.2]})
    with pytest.raises(StorageError, match=r"keep them as they were"):
        read_trials(narrow)


def test_faults_of_a_trial_are_its_own(tmp_path: Path) -> None:
    """What a trial raises comes out as it is, and stores nothing."""

    def faulty(_numbers: dict[str, Value], _seed: int) -> TrialOutcome:
        raise CueError("cue.toml: no tracks")

    with pytest.raises(CueError, match="no tracks"):
        run_study(key(tmp_path / "a"), faulty, seed=1, limits=StudyLimits(trials=1))
    with pytest.raises(ValueError, match="finite"):
        run_study(key(tmp_path / "a"), lambda *_: TrialOutcome(float("nan"), {}), seed=1,
                  limits=StudyLimits(trials=1))  # fmt: skip
    assert read_trials(key(tmp_path / "a")) == ()


@pytest.mark.parametrize(
    ("storage", "match"),
    [
        ("nowhere/study.journal", "No such file or directory; choose a folder"),
        ("sqlite:///study.db", "through a postgresql:// URL only"),
        ("postgresql://u:p@host:port/x", "not a URL; write postgresql://user"),
        ("://", "not a URL"),
    ],
)
def test_unusable_storage_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, storage: str, match: str
) -> None:
    """A storage that cannot be used is named, with what to do instead."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(StorageError, match=match) as error:
        read_trials(key(storage))
    assert "\n" not in str(error.value)
    assert "u:p" not in str(error.value)


def test_foreign_file_is_not_taken_for_a_journal(tmp_path: Path) -> None:
    """A file that is no journal is refused and left as it was."""
    foreign = tmp_path / "study.journal"
    foreign.write_text("mix notes\nno final line end")
    with pytest.raises(StorageError, match="not a study's journal, or damaged"):
        run_study(key(foreign), outcome, seed=1, limits=StudyLimits(trials=1))
    assert foreign.read_text() == "mix notes\nno final line end"


@pytest.mark.parametrize(
    "torn", [b'{"op', b'{"op_code":4,"worker_id":"x","study_id":0', b"\0" * 70_000]
)
def test_unfinished_line_is_dropped(tmp_path: Path, torn: bytes) -> None:
    """A writer killed in mid-line costs its own line, never the study."""
    journal = tmp_path / "study.journal"
    before = run_study(key(journal), outcome, seed=1, limits=StudyLimits(trials=3))
    with journal.open("ab") as file:
        file.write(torn)
    assert read_trials(key(journal)) == before
    through = run_study(key(tmp_path / "b"), outcome, seed=1, limits=StudyLimits(trials=6))
    assert run_study(key(journal), outcome, seed=1, limits=StudyLimits(trials=6)) == through
    assert all(json.loads(line) for line in journal.read_bytes().splitlines())


def test_a_line_written_twice_counts_once(tmp_path: Path) -> None:
    """A write repeated after a lost answer is one trial."""
    journal = tmp_path / "study.journal"
    before = run_study(key(journal), outcome, seed=1, limits=StudyLimits(trials=3))
    lines = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(b"".join([*lines, lines[-1]]))
    assert read_trials(key(journal)) == before


def away(times: int) -> Callable[[], str]:
    """Return a call to a server that does not answer the first few times."""
    left = iter(range(times))

    def call() -> str:
        if next(left, None) is not None:
            raise OperationalError("SELECT 1", {}, Exception("server closed the connection"))
        return "stored"

    return call


def test_a_server_that_went_away_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """A finished trial is offered again, at growing intervals, until the server is back."""
    pauses: list[float] = []
    monkeypatch.setattr(time, "sleep", pauses.append)
    assert study._patiently(key("postgresql://host/x"), away(8)) == "stored"
    assert pauses == [0.5, 1, 2, 4, 8, 15, 15, 15]


def test_patience_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    """After the patience is over it is an error; a file is not waited for at all."""
    monkeypatch.setattr(study, "PATIENCE", 0.1)
    with pytest.raises(StorageError, match="server closed the connection; check that the server"):
        study._patiently(key("postgresql://host/x"), away(1000))
    monkeypatch.undo()
    with pytest.raises(StorageError, match="server closed"):
        study._patiently(key("study.journal"), away(1))


def test_space_must_offer_something() -> None:
    """A shared number needs values, each once."""
    with pytest.raises(ValueError, match="spacing_m"):
        StudyKey("a", "b", "c", {"spacing_m": []})
    with pytest.raises(ValueError, match="spacing_m"):
        StudyKey("a", "b", "c", {"spacing_m": [1.0, 1]})


def test_suggestions_depend_on_trials_and_seed_only() -> None:
    """The same history and seed ask for the same numbers."""
    trials = [Trial(0, i, i, {"a": i % 3}, float(i % 3), {}) for i in range(20)]
    asked = [suggest({"a": [2, 0, 1]}, trials, 5) for _ in range(2)]
    assert asked[0] == asked[1]
    assert suggest({}, trials, 5) == {}


def killed_at(journal: Path, log: Path, seconds: float, *, after_start: bool) -> None:
    """Run a worker, and kill it; the time counts from its start or from its first trial."""
    lines = log.read_text().count("\n") if log.exists() else 0
    command = [sys.executable, "-m", "tests.placer.search_worker", journal, "1000000", log]
    with subprocess.Popen(list(map(str, command)), cwd=ROOT) as worker:
        begun = time.monotonic()
        while not after_start and time.monotonic() - begun < 30:
            if log.exists() and log.read_text().count("\n") > lines:
                break
            time.sleep(0.002)
        time.sleep(seconds)
        worker.kill()
    assert worker.returncode == -signal.SIGKILL


def kills(folder: Path, count: int) -> None:
    """Kill a worker many times; after each kill nothing but its trial under way may be lost."""
    rng = random.Random(11)
    journal, log = folder / "study.journal", folder / "work.log"
    for number in range(1, count + 1):
        killed_at(journal, log, rng.uniform(0, 0.25), after_start=number % 5 == 0)
        begun = time.monotonic()
        trials = read_trials(key(journal))
        assert time.monotonic() - begun < 5, "something was left locked"
        worked = [int(line) for line in log.read_text().split()]
        stored = {t.seed for t in trials}
        # what was worked but is not stored was under way in one of the kills
        assert len(set(worked) - stored) <= 1
        assert len(worked) - len(trials) <= number
        assert [t.ordinal for t in trials] == list(range(len(trials)))
        assert {t.lane for t in trials} == {0}
    whole = len(trials) + 5
    resumed = run_study(key(journal), outcome, seed=7, limits=StudyLimits(trials=whole))
    through = run_study(key(folder / "through"), outcome, seed=7, limits=StudyLimits(trials=whole))
    assert resumed == through
    states = [
        entry["state"]
        for entry in map(json.loads, journal.read_text().splitlines())
        if entry["op_code"] == 4
    ]
    assert set(states) == {1}, "a trial was left running"
    assert {p.name for p in folder.iterdir()} == {"study.journal", "through", "work.log"}


def test_two_kills_lose_nothing(tmp_path: Path) -> None:
    """A quick look at what the long test below does thirty times."""
    kills(tmp_path, 2)


@pytest.mark.slow
def test_thirty_kills_lose_nothing(tmp_path: Path) -> None:
    """Thirty kills at random moments: no stuck trial, no lock, the same study as without."""
    kills(tmp_path, 30)
