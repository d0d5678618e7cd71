"""From trials to the few mixes that are handed back: stored, read back, chosen, counted."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from placer.cue.read import read_cue
from placer.cue.records import OFF_DB
from placer.night_log import NightLog
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
from placer.trial.ready import survey_cue
from placer.trial.running import Pace, StudyOrder, _worker
from placer.trial.shown import Shown
from placer.trial.terms import changes, weighted
from placer.trial.terms import stored as stored_terms
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


def test_terms_add_up_to_the_cost(small_judge: Judge, trials: tuple[Trial, ...]) -> None:
    """What a stored candidate says of its terms is the whole of its cost, limits included."""
    for row in trials[0].payload["candidates"]:
        assert sum(row["weighted"].values()) == pytest.approx(row["cost"], abs=1e-5)
    cost, weights = small_judge.reference.cost, small_judge.material.cue.weights
    assert sum(weighted(cost, weights).values()) == pytest.approx(cost.total, abs=1e-5)
    broken = replace(cost, violations={**cost.violations, "low": 0.3})
    assert weighted(broken, weights)["limits"] == pytest.approx(0.3 + sum(cost.violations.values()))
    best = min(trials[0].payload["candidates"], key=lambda row: row["cost"])
    assert stored_terms(trials[0].payload) == best["weighted"]


def test_an_older_journal_is_still_read(small_judge: Judge, trials: tuple[Trial, ...]) -> None:
    """Candidates without terms are candidates; nothing is then said of what improved."""
    rows = [dict(row) for row in trials[0].payload["candidates"]]
    for row in rows:
        del row["weighted"]
    old = replace(trials[0], payload={**trials[0].payload, "candidates": rows})
    cue = small_judge.material.cue
    assert candidates(cue, [old]) == candidates(cue, trials[:1])
    for payload in (old.payload, {}, {"candidates": []}, {"candidates": [{"weighted": 3}]}):
        assert stored_terms(payload) == {}
    assert stored_terms({"candidates": [{"weighted": {"mono": 0.1, "low": "x"}}]}) == {"mono": 0.1}
    screen = Told()
    shown = Shown(screen, deadline=None, wanted=2, reference=(2.0, {"mono": 0.1}))
    shown.ended(old)
    assert screen.lines == [f"trial 1: best {old.cost:.4f}"]


def test_changes_name_what_fell_and_what_rose_most() -> None:
    """The largest fall comes first; what would read 0.000 is not said."""
    before = {"audibility": 0.5, "low_weight": 0.1, "mono": 0.2, "limits": 0.0}
    now = {"audibility": 0.44, "low_weight": 0.104, "mono": 0.19, "limits": 0.0}
    assert changes(now, before) == "audibility -0.060, low weight +0.004"
    assert changes(before, now) == "low weight -0.004, audibility +0.060"
    assert changes({**before, "mono": 0.1}, before) == "mono -0.100"
    assert changes(before, before) == changes({}, before) == changes(now, {}) == ""


def test_a_search_shows_how_it_goes(trials: tuple[Trial, ...], tmp_path: Path) -> None:
    """Best cost, what improved in it, trials and speed; the log of the night has the same words."""

    def trial(cost: float, **terms: float) -> Trial:
        return replace(trials[0], cost=cost, payload={"candidates": [{"weighted": terms}]})

    screen = Told()
    with NightLog(tmp_path / "log.txt", screen) as told:
        shown = Shown(
            told, deadline=None, wanted=8, reference=(0.35, {"audibility": 0.3, "mono": 0.05})
        )
        assert screen.stages == [("searching", 8)]
        shown.moved(Progress(5000, 0.5, 0.31, np.zeros(4, dtype=np.int64)))
        shown.moved(Progress(9000, 0.5, 0.33, np.zeros(4, dtype=np.int64)), 1)
        shown.ended(trial(0.3, audibility=0.24, mono=0.06))
        shown.ended(trial(0.4, audibility=0.4, mono=0.0), 1)
        shown.ended(trial(0.2, audibility=0.18, mono=0.02))
        shown.tick()
    moving = "reference 0.3500, 0 trials, now at 0.3100 on tables"
    said = [
        "trial 1: best 0.3000 (audibility -0.060, mono +0.010 against the reference)",
        "trial 3: best 0.2000 (audibility -0.060, mono -0.040 against trial 1)",
    ]
    assert screen.lines == said
    assert [done for done, _ in screen.done] == [0, 0, 1, 2, 3, 3]
    notes = [note for _, note in screen.done]
    assert notes[:2] == [f"{moving}, 10,000 moves/s", f"{moving}, 28,000 moves/s"]
    assert notes[2] == (
        "best 0.3000 (audibility -0.060, mono +0.010), 1 trial, now at 0.3300 on tables, "
        "18,000 moves/s"
    )
    assert notes[-1] == "best 0.2000 (audibility -0.120, mono -0.030), 3 trials"
    log = (tmp_path / "log.txt").read_text("utf-8").splitlines()
    assert [line[20:] for line in log] == ["begun", "searching", *said, "ended"]


def test_a_search_that_goes_on_says_where_it_stands(trials: tuple[Trial, ...]) -> None:
    """Trials of an earlier night count, and a first trial that helps nothing is told too."""
    screen = Told()
    best = replace(trials[0], cost=0.2, payload={})
    Shown(screen, deadline=None, wanted=8, reference=(0.3, {}), before=(best, trials[1])).tick()
    assert screen.lines == ["going on after 2 trials: best 0.2000"]
    assert screen.done == [(2, "best 0.2000, 2 trials")]
    worse = Told()
    Shown(worse, deadline=None, wanted=8, reference=(0.1, {})).ended(best)
    assert worse.lines == ["trial 1: cost 0.2000, no better than the reference"]


def test_time_is_shown_as_time() -> None:
    """The bar of a search bounded by time counts seconds, and never beyond its end."""

    def shown(seconds: float) -> Told:
        screen = Told()
        deadline = time.monotonic() + seconds
        Shown(screen, deadline=deadline, wanted=8, reference=(0.1, {})).tick()
        return screen

    timed = shown(60.0)
    assert timed.stages[0][1] == pytest.approx(60.0, abs=0.5)
    assert 0.0 <= timed.done[-1][0] < 5.0
    assert shown(-5.0).stages == [("searching", 1.0)]


def test_a_study_is_named_after_its_cue(small_judge: Judge) -> None:
    """Name and hash together tell studies in one storage apart."""
    order = StudyOrder(
        cue=small_judge.material.cue, surveyed=None, key_hash="0" * 32, storage="x", trials=8,  # type: ignore[arg-type]
        deadline=None, workers=1,
    )  # fmt: skip
    assert order.key.name == "Small cue (invented)-000000000000"


def test_a_trial_that_would_only_be_late_is_not_begun(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first always is; later ones need a quarter of what the last one took."""
    now = [100.0]
    monkeypatch.setattr("placer.trial.running.time.monotonic", lambda: now[0])
    pace, endless = Pace(deadline=200.0), Pace(deadline=None)
    assert not pace.short
    for clock, short in ((140.0, False), (172.0, False), (195.0, True)):
        now[0] = clock
        pace.end()
        endless.end()
        assert (pace.short, endless.short) == (short, False)


class Line:
    """A worker's line to nobody: keeps what is reported."""

    def __init__(self) -> None:
        self.told: list[object] = []
        self.report = self.told.append

    def stop(self) -> bool:
        """Never."""
        return False


def test_a_worker_that_starts_late_still_searches(
    small_cue: Path, small_judge: Judge, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where preparing takes all the time that was left, something is still tried, and told."""
    monkeypatch.setattr("placer.trial.running.LEAST_SECONDS", 3.0)
    cue = read_cue(small_cue)
    order = StudyOrder(
        cue=cue, surveyed=survey_cue(cue, Told()), key_hash="0" * 32, storage=tmp_path / "journal",
        trials=None, deadline=None, workers=2,
    )  # fmt: skip
    line = Line()
    _worker(line, order, 0.01, small_judge.known)  # type: ignore[arg-type]
    cut = [one.cut_short for one in line.told if isinstance(one, Trial)]
    assert cut
    assert cut[-1]
