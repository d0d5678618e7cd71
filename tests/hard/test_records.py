"""Votes and journals, damaged at random: read, or refused in one line; what is sound is kept."""

from __future__ import annotations

import dataclasses
import json
import math
import random
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from placer.cue.read import read_cue
from placer.cue.records import Cue
from placer.errors import FolderError, PlacerError, StorageError
from placer.result.facts import RUNG_WORDS
from placer.result.listening_page import ListeningPage
from placer.result.record import add, learn_from, read_record
from placer.result.votes import Vote
from placer.run.studies import study_key
from placer.run.trial import ladders
from placer.search.study import read_trials, run_study
from placer.search.trials import StudyKey, StudyLimits, Trial, TrialOutcome, Value
from tests.hard.damage import damaged, torn
from tests.placer.result_run import result_facts, run_result
from tests.placer.small_cue import SmallRun

FACTS: dict[str, Any] = json.loads(json.dumps(result_facts(2)))
RESULT = run_result(2)
VOTES = {
    "schema": "placer.votes/1",
    "cue": {"name": FACTS["cue"]["name"], "hash": FACTS["cue"]["hash"]},
    "votes": [
        {"chosen": 1, "among": [0, 1, 2], "blind": True, "passage": [0.0, 1.0], "mono": False,
         "track": None, "note": "closer", "time": "2024-01-01T00:00:00+00:00"},
        {"chosen": None, "among": [0, 2], "blind": False, "passage": [0.0, 1.0], "mono": True,
         "track": "Horns", "note": "", "time": "2024-01-01T00:00:00+00:00"},
    ],
    "trials": [{"a": 0, "b": 1, "right": 5, "trials": 8, "p": 0.36}],
    "notes": [{"text": "good", "position": 1.0, "rank": 1}],
}  # fmt: skip
QUIET = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@given(seed=st.integers(0, 2**32 - 1), text=st.booleans())
@QUIET
def test_any_votes_are_used_or_refused_in_one_line(tmp_path: Path, seed: int, text: bool) -> None:
    """Learning, the page and one more vote work, or nothing is touched."""
    rng = random.Random(seed)
    (tmp_path / "result.json").write_text(json.dumps(FACTS))
    if text:
        body = torn(json.dumps(VOTES).encode(), rng)
    else:
        body = json.dumps(damaged(VOTES, rng)).encode("utf-8", "surrogatepass")
    file = tmp_path / "votes.json"
    file.write_bytes(body)
    before, refusal = None, ""
    try:
        before = read_record(tmp_path, RESULT)
        learn_from([tmp_path])
        ListeningPage(tmp_path).page("nonce")
        add(tmp_path, RESULT, Vote(chosen=1, among=(0, 1)))
    except PlacerError as error:
        refusal = str(error)
    if before is None:
        assert refusal.startswith(str(file))
        assert "\n" not in refusal
        assert file.read_bytes() == body
    else:
        assert refusal == ""
        after = read_record(tmp_path, RESULT)
        assert after.votes[:-1] == before.votes
        assert after.notes == before.notes


@pytest.mark.parametrize(
    "votes",
    [
        {"votes": [{"chosen": 1, "among": [1]}]}, {"votes": [{"chosen": 1, "among": [1, 1]}]},
        {"votes": [{"chosen": True, "among": [0, 1]}]},
        {"votes": [{"chosen": 1.0, "among": [0, 1]}]}, {"votes": [{"chosen": 1, "among": [0, 9]}]},
        {"votes": [3]}, {"votes": {}}, {"notes": None}, {"trials": "x"}, {"cue": None},
    ],
    ids=str,
)  # fmt: skip
def test_votes_that_make_no_sense_are_refused(tmp_path: Path, votes: dict[str, Any]) -> None:
    """One version alone, a version twice, true for a rank, other types."""
    (tmp_path / "votes.json").write_text(json.dumps(VOTES | votes))
    with pytest.raises(FolderError, match=r"votes\.json: .*move it away"):
        read_record(tmp_path, RESULT)


def outcome(numbers: dict[str, Value], seed: int) -> TrialOutcome:
    """A trial that takes no time."""
    return TrialOutcome(float(numbers["spacing"]) + seed % 7, {"seed": seed})


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Five stored trials."""
    path = tmp_path_factory.mktemp("journal") / "study.journal"
    run_study(key(path), outcome, seed=3, limits=StudyLimits(trials=5))
    return path.read_bytes()


def key(path: Path) -> StudyKey:
    """The study in a journal."""
    return StudyKey(path, "study", "hash", {"spacing": (1.0, 2.0)})


@given(seed=st.integers(0, 2**32 - 1))
@QUIET
def test_any_journal_goes_on_or_is_refused_in_one_line(
    tmp_path: Path, journal: bytes, seed: int
) -> None:
    """Trials that are read were stored; a journal that is refused is left alone."""
    path = tmp_path / "study.journal"
    path.write_bytes(torn(journal, random.Random(seed)))
    trials, refusal = None, ""
    try:
        trials = read_trials(key(path))
        again = run_study(key(path), outcome, seed=3, limits=StudyLimits(trials=len(trials) + 1))
    except StorageError as error:
        refusal = str(error)
    if trials is None:
        assert "move it away" in refusal or "start another study" in refusal
        assert "\n" not in refusal
    else:
        assert refusal == ""
        assert len(again) > len(trials)
        assert all(math.isfinite(trial.cost) for trial in again)


@pytest.mark.parametrize("share", [0.0, 0.2, 0.5, 0.9, 0.999])
def test_a_journal_cut_off_keeps_its_whole_lines(
    tmp_path: Path, journal: bytes, share: float
) -> None:
    """Cut anywhere, as by a full disk or a kill: whole trials are read, and the study goes on."""
    path = tmp_path / "study.journal"
    path.write_bytes(journal[: int(share * len(journal))])
    whole = journal[: int(share * len(journal))].count(b'"trial\\":') or 0
    trials = read_trials(key(path))
    assert len(trials) >= whole - 1
    assert len(run_study(key(path), outcome, seed=3, limits=StudyLimits(trials=5))) == 5


@pytest.fixture(scope="module")
def stored(small_run: SmallRun) -> tuple[Cue, tuple[Trial, ...]]:
    """The small cue and the trials of its search."""
    cue = read_cue(small_run.cue)
    own_hash = small_run.result.cue.hash
    return cue, read_trials(study_key(cue, own_hash, small_run.folder / "study.journal"))


@given(seed=st.integers(0, 2**32 - 1))
@QUIET
def test_any_stored_trial_gives_finite_candidates_or_one_line(
    stored: tuple[Cue, tuple[Trial, ...]], seed: int
) -> None:
    """No NaN and no foreign placement comes from a study into a result."""
    cue, trials = stored
    payload = damaged(trials[0].payload, random.Random(seed))
    changed = dataclasses.replace(trials[0], payload=payload)
    refusal = ""
    try:
        found = ladders(cue, (*trials[1:], changed))
    except StorageError as error:
        refusal = str(error)
    else:
        for one in (rung for rungs in found for rung in rungs):
            numbers = [one.cost]
            for placement in one.placements:
                numbers += [*placement.blend_db, *(placement.seat or ()), placement.pan]
            assert np.all(np.isfinite(numbers))
            assert len(one.placements) == len(cue.tracks)
            assert one.rung in RUNG_WORDS
            assert {index for step in one.steps for index in step} <= set(range(len(cue.tracks)))
    assert "\n" not in refusal


def test_unharmed_trials_are_read(stored: tuple[Cue, tuple[Trial, ...]]) -> None:
    """The check refuses nothing that a search stores."""
    cue, trials = stored
    (rungs,) = ladders(cue, trials)
    assert [rung.rung for rung in rungs] == [
        rung for rung in RUNG_WORDS if rung in names_of(trials)
    ]


def names_of(trials: tuple[Trial, ...]) -> list[str]:
    """Names of the rungs that one trial stores."""
    return [row["name"] for row in trials[0].payload["rungs"]]


@pytest.mark.parametrize(
    ("key_name", "value"),
    [("name", "nothing"), ("steps", [[-1]]), ("steps", [[99]]), ("steps", 3), ("cost", math.inf)],
)
def test_a_rung_that_does_not_fit_is_refused(
    stored: tuple[Cue, tuple[Trial, ...]], key_name: str, value: Any
) -> None:
    """An unknown name, tracks that are not there, a cost without end: one line names the trial."""
    cue, (trial,) = stored
    rows = [dict(row) for row in trial.payload["rungs"]]
    rows[0][key_name] = value
    changed = dataclasses.replace(trial, payload={**trial.payload, "rungs": rows})
    with pytest.raises(
        StorageError, match=r"trial 0 of worker 0: does not fit the cue .*cue\.toml"
    ):
        ladders(cue, (changed,))
