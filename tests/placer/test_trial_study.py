"""From trials to the few mixes that are handed back: stored, read back, chosen, counted."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from placer.cue.records import OFF_DB
from placer.search.landscape import Progress
from placer.search.trials import Trial
from placer.trial.choosing import chosen_of, search_facts
from placer.trial.inner import Budget, run_trial
from placer.trial.judge import Judge
from placer.trial.outer import (
    INAUDIBLE_DB,
    Candidate,
    candidates,
    feature_arrays,
    trial_of,
)
from placer.trial.running import StudyOrder, _Shown
from tests.placer.small_cue import Told


def stored(judge: Judge, seed: int, *, lane: int = 0) -> Trial:
    """One trial as a study stores it."""
    outcome = trial_of(judge, deadline=None, stop=lambda: False)({}, seed)
    trial = Trial(lane, 0, seed, {}, outcome.cost, outcome.payload, outcome.cut_short)
    return Trial.from_json(trial.to_json())


@pytest.fixture(scope="module")
def trials(small_judge: Judge) -> tuple[Trial, ...]:
    """Two short trials of the small cue."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("placer.trial.outer.EVALUATIONS_PER_TRACK", 1500)
        return stored(small_judge, 1), stored(small_judge, 2)


def test_what_a_trial_stores_is_what_it_scored(
    small_judge: Judge, trials: tuple[Trial, ...]
) -> None:
    """Candidates read back from a study cost, exactly convolved again, what was stored."""
    found = candidates(small_judge.material.cue, trials)
    assert len(found) >= 2
    assert [one.cost for one in found] == sorted(one.cost for one in found)
    assert found[0].cost == pytest.approx(min(trial.cost for trial in trials))
    for one in found[:3]:
        again = small_judge.at(dict(one.shared))[1].score(one.placements)
        assert again.cost.total == pytest.approx(one.cost, rel=1e-9)
        assert again.cost.feasible == one.feasible


def test_a_candidate_counts_once(small_judge: Judge, trials: tuple[Trial, ...]) -> None:
    """Two trials that end at the same placements give one candidate, at the same numbers."""
    cue = small_judge.material.cue
    once = candidates(cue, trials[:1])
    assert candidates(cue, (trials[0], trials[0])) == once
    moved = replace(trials[0], numbers={"tree_height": 3.0})
    assert len(candidates(cue, (trials[0], moved))) == 2 * len(once)


def test_the_same_seed_gives_the_same_trial(small_judge: Judge, trials: tuple[Trial, ...]) -> None:
    """A trial bounded by evaluations repeats itself to the last digit."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("placer.trial.outer.EVALUATIONS_PER_TRACK", 1500)
        again = stored(small_judge, 1)
    assert again == trials[0]
    assert again.payload != trials[1].payload


def test_a_stop_ends_a_trial_with_what_it_has(small_judge: Judge) -> None:
    """Ctrl-C during the first moves still gives a scored candidate, marked as cut short."""
    outcome = trial_of(small_judge, deadline=None, stop=lambda: True)({}, 3)
    assert outcome.cut_short
    assert np.isfinite(outcome.cost)
    assert outcome.payload["candidates"]


def test_a_deadline_leaves_time_for_exact_scores(small_judge: Judge) -> None:
    """A trial that has two seconds leaves them to the exact scores: it is cut short and scored."""
    begun = time.monotonic()
    outcome = trial_of(small_judge, deadline=begun + 2.0, stop=lambda: False)({}, 4)
    assert outcome.cut_short
    assert outcome.payload["candidates"]


def test_found_candidates_are_told_while_searching(small_judge: Judge) -> None:
    """Progress comes with counts that grow and a best cost that falls."""
    told: list[Progress] = []
    tables, scorer = small_judge.at({})
    run_trial(
        tables, scorer, seed=1,
        budget=Budget(None, time.monotonic() + 60.0, lambda: bool(told)), progress=told.append,
    )  # fmt: skip
    assert told
    assert all(one.evaluations >= 0 and np.isfinite(one.best_cost) for one in told)


def test_only_what_beats_the_reference_is_handed_back(
    small_judge: Judge, trials: tuple[Trial, ...]
) -> None:
    """Best first; none that breaks a limit while others do not; none where nothing is better."""
    found = candidates(small_judge.material.cue, trials)
    chosen = chosen_of(small_judge, found)
    reference = small_judge.reference.cost.total
    assert all(one.cost < reference for one in chosen)
    assert all(one.feasible for one in chosen) or not any(one.feasible for one in found)
    worse = [replace(one, cost=reference + 0.1) for one in found]
    assert chosen_of(small_judge, worse) == []
    broken = [replace(one, feasible=False, cost=reference - 0.1) for one in found[:1]]
    assert chosen_of(small_judge, broken) == broken
    kept = replace(found[-1], feasible=True, cost=reference - 0.05)
    assert chosen_of(small_judge, [*broken, kept]) == [kept]


def test_features_are_what_can_be_heard(small_judge: Judge, trials: tuple[Trial, ...]) -> None:
    """Blends count from the loudest position, and what is off is as good as inaudible."""
    one: Candidate = candidates(small_judge.material.cue, trials)[0]
    first = replace(one.placements[0], blend_db=(-3.0, OFF_DB, -9.0, -50.0))
    louder = replace(first, blend_db=(3.0, OFF_DB, -3.0, -44.0))
    pair = [replace(one, placements=(p, *one.placements[1:])) for p in (first, louder)]
    features = feature_arrays(pair)
    np.testing.assert_array_equal(features.blend_db[0, 0], [0.0, INAUDIBLE_DB, -6.0, INAUDIBLE_DB])
    np.testing.assert_array_equal(features.blend_db[0], features.blend_db[1])
    # a recorded track with two positions: the others do not exist
    assert set(features.blend_db[0, 2, 2:]) == {INAUDIBLE_DB}
    assert features.lateral_deg.shape == features.drr_db.shape == (2, 4)


def test_facts_of_a_search(small_judge: Judge, trials: tuple[Trial, ...]) -> None:
    """Evaluations add up, the best cost never rises, agreement is a rank correlation."""
    found = candidates(small_judge.material.cue, trials)
    facts = search_facts(trials, found, workers=1)
    assert facts["trials"] == 2
    counts, costs = zip(*facts["history"], strict=True)
    assert counts[-1] == facts["evaluations"] == sum(t.payload["evaluations"] for t in trials)
    assert list(costs) == sorted(costs, reverse=True)
    assert facts["agreement"]["n"] == len(found)
    graded = [replace(found[0], cost=0.1 * k, table_cost=0.2 * k) for k in range(1, 5)]
    assert search_facts(trials, graded, workers=1)["agreement"]["spearman"] == 1.0
    assert search_facts((), (), workers=3) == {
        "trials": 0, "evaluations": 0, "history": [], "agreement": {"n": 0}, "workers": 3,
    }  # fmt: skip


def test_a_search_shows_how_it_goes(small_judge: Judge, trials: tuple[Trial, ...]) -> None:
    """By trials or by time; a line only when a trial is better than all before."""
    cue = small_judge.material.cue

    def order(deadline: float | None) -> StudyOrder:
        return StudyOrder(
            cue=cue, surveyed=None, key_hash="0" * 32, storage="x", trials=8,  # type: ignore[arg-type]
            deadline=deadline, workers=1,
        )  # fmt: skip

    screen = Told()
    shown = _Shown(order(None), screen)
    assert screen.stages == [("searching", 8)]
    shown.ended(replace(trials[0], cost=0.3))
    shown.ended(replace(trials[0], cost=0.4))
    shown.ended(replace(trials[0], cost=0.2))
    shown.tick()
    assert screen.lines == ["trial 1: cost 0.3000", "trial 3: cost 0.2000"]
    assert [done for done, _ in screen.done] == [1, 2, 3, 3]
    shown.moved(Progress(5000, 0.5, 0.15, np.zeros(4, dtype=np.int64)))
    assert screen.done[-1] == (3, "best 0.1500, trial 4, 10,000 moves/s")
    timed = Told()
    _Shown(order(time.monotonic() + 60.0), timed).tick()
    assert timed.stages[0][1] == pytest.approx(60.0, abs=0.5)
    assert 0.0 <= timed.done[-1][0] < 5.0
    late = Told()
    _Shown(order(time.monotonic() - 5.0), late)
    assert late.stages == [("searching", 1.0)]
    assert order(None).key.name == "Small cue (invented)-000000000000"
