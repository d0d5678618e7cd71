"""From trials to the rungs that are handed back: stored, read back, chosen, counted, told."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from placer.audio.survey import survey
from placer.cue.read import read_cue
from placer.cue.records import OFF_DB, Cue
from placer.errors import CueError, StorageError
from placer.night_log import NightLog
from placer.run.choosing import chosen_of, search_facts
from placer.run.cue_scene import foreground_of, limits_of
from placer.run.evaluator import Evaluator
from placer.run.kept_moves import Answers
from placer.run.plain import placement_from, placement_values, placements_from
from placer.run.ready import cue_hash, survey_cue
from placer.run.shown import Shown
from placer.run.standing import Standing, audible_share, standing_of, stored
from placer.run.studies import (
    LEAST_SECONDS,
    Pace,
    StudyOrder,
    _worker,
    study_key,
    time_to_search,
)
from placer.run.trial import LEAST_GAIN, Candidate, ladders, tracks_of_steps, trial_of
from placer.search.trials import Trial
from placer.search.units import Units
from placer.version import version
from tests.conftest import shorten
from tests.placer.small_cue import Told


def kept(evaluator: Evaluator, seed: int) -> Trial:
    """One trial as a study stores it."""
    outcome = trial_of(evaluator, deadline=None, stop=lambda: False)({}, seed)
    trial = Trial(0, seed, seed, {}, outcome.cost, outcome.payload, outcome.cut_short)
    return Trial.from_json(trial.to_json())


@pytest.fixture(scope="module")
def trials(small_evaluator: Evaluator) -> tuple[Trial, ...]:
    """Two short trials of the small cue."""
    with pytest.MonkeyPatch.context() as patch:
        shorten(patch)
        return kept(small_evaluator, 1), kept(small_evaluator, 2)


def test_what_a_trial_stores_is_what_it_found(
    small_evaluator: Evaluator, trials: tuple[Trial, ...]
) -> None:
    """Rungs read back from a study cost what was stored, and move what their steps say."""
    cue = small_evaluator.cue
    found = ladders(cue, trials)
    assert len(found) == 2
    for trial, rungs in zip(trials, found, strict=True):
        assert [one.rung for one in rungs] == [row["name"] for row in trial.payload["rungs"]]
        assert min(one.cost for one in rungs) == trial.cost
        for one in rungs:
            again = small_evaluator.breakdown(small_evaluator.own, one.placements)
            assert again.total == pytest.approx(one.cost, rel=1e-9)
            moved = [i for i in range(4) if one.placements[i] != small_evaluator.starts[i]]
            assert sorted(track for step in one.steps for track in step) == moved


def test_the_same_seed_gives_the_same_trial(
    small_evaluator: Evaluator, trials: tuple[Trial, ...], quick: None
) -> None:
    """A trial bounded by evaluations repeats itself to the last digit, whatever ran before."""
    again = kept(small_evaluator, 1)
    assert again == trials[0]
    assert again.payload != trials[1].payload


def test_a_stored_rung_says_what_is_audible_and_what_moves(
    small_evaluator: Evaluator, trials: tuple[Trial, ...]
) -> None:
    """The mean audible share of the foreground, as the full cost has it; tracks that move."""
    rows = trials[0].payload["rungs"]
    assert rows
    found = ladders(small_evaluator.cue, trials[:1])[0]
    front = small_evaluator.scene.foreground_share > 0.0
    assert 0 < front.sum() < 4
    for row, one in zip(rows, found, strict=True):
        cost = small_evaluator.breakdown(small_evaluator.own, one.placements)
        assert row["audible"] == pytest.approx(float(np.mean(cost.heard.share[front])), abs=1e-6)
        moved = [a != b for a, b in zip(one.placements, small_evaluator.starts, strict=True)]
        assert row["moved"] == sum(moved)
    best = min(rows, key=lambda row: row["cost"])
    assert stored(trials[0].payload) == Standing(best["audible"], best["moved"])
    start = standing_of(small_evaluator, small_evaluator.own, small_evaluator.starts)
    assert start.moved == 0
    told = audible_share(small_evaluator.reference, small_evaluator.scene)
    assert start.audible == pytest.approx(told, rel=1e-6)
    for payload in (
        {},
        {"rungs": 3},
        {"rungs": []},
        {"rungs": ["x"]},
        {"rungs": [{"cost": 1, "audible": "x", "moved": 1}]},
        {"rungs": [{"cost": 1, "audible": 0.2}]},
        {"rungs": [{"cost": 1, "audible": float("nan"), "moved": 1}]},
    ):
        assert stored(payload) is None


def damaged(trial: Trial, change: Callable[[dict[str, Any]], object]) -> Trial:
    payload = json.loads(json.dumps(trial.payload))
    change(payload)
    return replace(trial, payload=payload)


@pytest.mark.parametrize(
    "change",
    [
        lambda p: p.pop("rungs"),
        lambda p: p.pop("evaluations"),
        lambda p: p.update(evaluations="many"),
        lambda p: p.update(rungs=[7]),
        lambda p: p["rungs"][0].update(cost="cheap"),
        lambda p: p["rungs"][0].update(cost=float("nan")),
        lambda p: p["rungs"][0].update(steps=[[9]]),
        lambda p: p["rungs"][0].update(steps=[[-1]]),
        lambda p: p["rungs"][0].update(tracks=[]),
        lambda p: p["rungs"][0]["tracks"][0].update(name="another"),
        lambda p: p["rungs"][0]["tracks"][0].update(pan=float("inf")),
        lambda p: p["rungs"][0]["tracks"][0].update(seat=[1.0]),
        lambda p: p["rungs"][0]["tracks"][0].update(blend_db=[0.0]),
    ],
)
def test_a_damaged_trial_is_told_in_one_line(
    small_evaluator: Evaluator,
    trials: tuple[Trial, ...],
    change: Callable[[dict[str, Any]], object],
) -> None:
    """What does not fit the cue is named with its trial, and what to do."""
    broken = damaged(trials[0], change)
    with pytest.raises(StorageError, match="trial 1 of worker 0: does not fit the cue") as told:
        ladders(small_evaluator.cue, [trials[1], broken])
    assert "\n" not in str(told.value)
    assert "move it away to start anew" in str(told.value)


def test_trials_without_rungs_are_left_out(
    small_evaluator: Evaluator, trials: tuple[Trial, ...]
) -> None:
    """A trial that found nothing better is no error and has no ladder."""
    empty = damaged(trials[0], lambda p: p.update(rungs=[]))
    found = ladders(small_evaluator.cue, [empty, trials[1]])
    assert found == ladders(small_evaluator.cue, trials[1:])


def test_rungs_of_one_trial_are_chosen(
    small_evaluator: Evaluator, trials: tuple[Trial, ...]
) -> None:
    """All from the trial that gains most over its rungs, and only those that beat the reference.

    A rung that a trial lacks counts as the best before it; "other" does not count.
    """
    reference = small_evaluator.reference.total
    one: Candidate = ladders(small_evaluator.cue, trials)[0][0]

    def ladder(**gains: float) -> tuple[Candidate, ...]:
        return tuple(replace(one, cost=reference - g, rung=rung) for rung, g in gains.items())

    first, second = ladder(few=0.02, clearest=0.05), ladder(few=0.03, contrast=0.06)
    assert chosen_of(small_evaluator, [first, second]) == list(second)
    steady = ladder(few=0.025, some=0.04, contrast=0.05, clearest=0.05)
    assert chosen_of(small_evaluator, [ladder(few=0.02, contrast=0.05), steady]) == list(steady)
    doubled = (*ladder(few=0.02, other=0.02), *ladder(clearest=0.04))
    assert chosen_of(small_evaluator, [doubled, ladder(few=0.03, clearest=0.04)])[0].rung == "few"
    assert len(chosen_of(small_evaluator, [doubled, ladder(few=0.03, clearest=0.04)])) == 2
    small, better = ladder(few=LEAST_GAIN / 2, clearest=0.2)
    assert chosen_of(small_evaluator, [(small, better)]) == [better]
    assert chosen_of(small_evaluator, [ladder(few=-0.1)]) == []
    assert chosen_of(small_evaluator, []) == []


def test_facts_of_a_search(trials: tuple[Trial, ...]) -> None:
    """Evaluations add up and the best cost never rises."""
    facts = search_facts(trials, workers=1)
    counts, costs = zip(*facts["history"], strict=True)
    assert facts["trials"] == 2
    assert counts[-1] == facts["evaluations"] == sum(t.payload["evaluations"] for t in trials)
    assert list(costs) == sorted(costs, reverse=True)
    assert search_facts((), workers=3) == {
        "trials": 0, "evaluations": 0, "history": [], "workers": 3,
    }  # fmt: skip


def test_steps_of_units_are_steps_of_tracks(small_evaluator: Evaluator) -> None:
    """A bus names its tracks; those that stay where they are and steps without any are left out."""
    cue = small_evaluator.cue
    placements = list(small_evaluator.starts)
    for index in (0, 2):
        placements[index] = replace(placements[index], pan=0.3)
    units = Units([(0, 1), (2,), (3,)])
    assert tracks_of_steps(units, [[1], [0, 2]], placements, cue) == ((2,), (0,))
    assert tracks_of_steps(units, [[2], [1]], placements, cue) == ((2,),)


def test_a_stop_ends_a_trial_with_what_it_has(small_evaluator: Evaluator, quick: None) -> None:
    """Ctrl-C during the first moves gives a trial that is marked as cut short."""
    outcome = trial_of(small_evaluator, deadline=None, stop=lambda: True)({}, 3)
    assert outcome.cut_short
    assert outcome.cost <= small_evaluator.reference.total
    assert outcome.payload["evaluations"] >= 1


def test_a_deadline_ends_a_trial_whole(small_evaluator: Evaluator, quick: None) -> None:
    """A trial that has two seconds uses them and has been through all its rungs."""
    begun = time.monotonic()
    outcome = trial_of(small_evaluator, deadline=begun + 2.0, stop=lambda: False)({}, 4)
    assert not outcome.cut_short
    assert outcome.payload["rungs"]
    assert time.monotonic() - begun < 12.0


def test_placements_are_written_and_read_without_loss(
    small_evaluator: Evaluator, trials: tuple[Trial, ...]
) -> None:
    """Through JSON and back, with a position that is off; tracks are found by name."""
    cue = small_evaluator.cue
    mix = [replace(one, pan=0.123456789, trim_db=-1.5) for one in small_evaluator.starts]
    mix[0] = replace(mix[0], blend_db=(OFF_DB, *mix[0].blend_db[1:]), aligned=True)
    rows = [placement_values(*both) for both in zip(cue.tracks, mix, strict=True)]
    assert rows[0]["blend_db"]["close"] is None
    text = json.dumps(rows[::-1])
    assert placements_from(cue.tracks, json.loads(text)) == tuple(mix)
    with pytest.raises(ValueError, match="low: a number is not finite"):
        placement_from(cue.tracks[0], rows[0] | {"width": float("nan")})


def test_a_search_shows_how_it_goes(trials: tuple[Trial, ...], tmp_path: Path) -> None:
    """Now, best and at first on one scale, moves and trials, no cost; the log has the same."""

    def trial(cost: float, audible: float, moved: int) -> Trial:
        rungs = [{"cost": cost + 0.1}, {"cost": cost, "audible": audible, "moved": moved}]
        return replace(trials[0], cost=cost, payload={"rungs": rungs})

    screen = Told()
    with NightLog(tmp_path / "log.txt", screen) as told:
        shown = Shown(told, deadline=None, wanted=8, reference=(0.35, 0.187))
        assert screen.stages == [("searching", 8)]
        shown.moved(Standing(0.201, 1, 5000))
        shown.moved(Standing(0.198, 3, 9000), 1)
        shown.ended(trial(0.3, 0.22, 4))
        shown.ended(trial(0.4, 0.3, 2), 1)
        shown.ended(trial(0.2, 0.25, 3))
        shown.tick()
    best = "is better: foreground audible best so far"
    said = [
        f"trial 1 {best} 22.0 % (4 tracks moved), at first 18.7 %",
        f"trial 3 {best} 25.0 % (3 tracks moved), at first 18.7 %",
    ]
    assert screen.lines == said
    assert [done for done, _ in screen.done] == [0, 0, 1, 2, 3, 3]
    notes = [note for _, note in screen.done]
    assert notes[0] == (
        "foreground audible now 20.1 % (1 track moved), at first 18.7 %; first search "
        "under way; 5,000 placements tried in this one"
    )
    assert "14,000 placements tried" in notes[1]
    assert notes[2].startswith(
        "foreground audible now 19.8 % (3 tracks moved), best so far 22.0 % (4 tracks moved), at"
    )
    assert notes[-1].endswith("at first 18.7 %; 3 trials done")
    assert not any("cost" in note for note in notes)
    log = (tmp_path / "log.txt").read_text("utf-8").splitlines()
    assert [line[20:] for line in log] == ["begun", "searching", *said, "ended"]


def test_the_best_so_far_is_told_before_a_trial_is_done() -> None:
    """A search that has come down again says how far it was; where it is best, nothing twice."""
    screen = Told()
    shown = Shown(screen, deadline=None, wanted=8, reference=(0.35, 0.187))
    for audible, moved in ((0.324, 13), (0.268, 1)):
        shown.moved(Standing(audible, moved, 5000))
    first, second = (note for _, note in screen.done)
    assert first.startswith("foreground audible now 32.4 % (13 tracks moved), at first 18.7 %")
    assert second.startswith(
        "foreground audible now 26.8 % (1 track moved), best so far 32.4 % (13 tracks moved), at "
    )


def test_a_search_that_goes_on_says_where_it_stands(trials: tuple[Trial, ...]) -> None:
    """Trials of an earlier night count, and a first trial that helps nothing is told too."""
    screen = Told()
    payload = {"rungs": [{"cost": 0.2, "audible": 0.3, "moved": 2}]}
    best, worse = replace(trials[0], cost=0.2, payload=payload), replace(trials[1], cost=0.4)
    Shown(screen, deadline=None, wanted=8, reference=(0.3, 0.2), before=(best, worse)).tick()
    words = "foreground audible best so far 30.0 % (2 tracks moved), at first 20.0 %"
    assert screen.lines == [f"going on after 2 trials: {words}"]
    assert screen.done == [(2, f"{words}; 2 trials done")]
    told = Told()
    Shown(told, deadline=None, wanted=8, reference=(0.1, 0.2)).ended(best)
    assert told.lines == ["trial 1: no better than the reference"]


def test_time_is_shown_as_time() -> None:
    """The bar of a search bounded by time counts seconds, and never beyond its end."""

    def shown(seconds: float) -> Told:
        screen = Told()
        deadline = time.monotonic() + seconds
        Shown(screen, deadline=deadline, wanted=8, reference=(0.1, 0.2)).tick()
        return screen

    timed = shown(60.0)
    assert timed.stages[0][1] == pytest.approx(60.0, abs=0.5)
    assert 0.0 <= timed.done[-1][0] < 5.0
    assert shown(-5.0).stages == [("searching", 1.0)]


def order_of(cue: Cue, storage: Path) -> StudyOrder:
    return StudyOrder(
        cue=cue, surveyed=survey_cue(cue, Told()), key_hash="0" * 32, storage=storage,
        trials=None, deadline=None, workers=2,
    )  # fmt: skip


def test_a_study_is_named_after_its_cue(small_cue: Path, tmp_path: Path) -> None:
    """Other values or answers are another study; other stems meet in the same one, refused."""
    cue = read_cue(small_cue)
    order = order_of(cue, tmp_path / "journal")
    assert re.fullmatch(r"Small cue \(invented\)-[0-9a-f]{12}", order.key.name)
    assert (order.key.space, order.key.version) == ({}, version())
    swapped = replace(
        cue, tracks=(replace(cue.tracks[0], files=cue.tracks[1].files), *cue.tracks[1:])
    )
    assert study_key(swapped, "1" * 32, "a").name == order.key.name
    other = replace(cue, search=replace(cue.search, reach=cue.search.reach + 1.0))
    answers = Answers(kept={cue.tracks[0].name: cue.tracks[0].start})
    names = {
        order.key.name,
        study_key(other, "0", "a").name,
        study_key(cue, "0", "a", answers).name,
    }
    assert len(names) == 3


def test_a_trial_that_would_only_be_late_is_not_begun(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first always is; later ones need a quarter of what the last one took."""
    now = [100.0]
    monkeypatch.setattr("placer.run.studies.time.monotonic", lambda: now[0])
    pace, endless = Pace(deadline=200.0), Pace(deadline=None)
    assert not pace.short
    for clock, short in ((140.0, False), (172.0, False), (195.0, True)):
        now[0] = clock
        pace.end()
        endless.end()
        assert (pace.short, endless.short) == (short, False)
    assert time_to_search(None) is None
    assert time_to_search(300.0) == 300.0
    assert time_to_search(50.0) == 195.0 + LEAST_SECONDS


class Line:
    """A worker's line to nobody: keeps what is reported."""

    def __init__(self) -> None:
        self.told: list[object] = []
        self.report = self.told.append

    def stop(self) -> bool:
        """Never."""
        return False


def test_a_worker_that_starts_late_still_searches(
    small_cue: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where preparing takes all the time that was left, something is still tried, and told."""
    monkeypatch.setattr("placer.run.studies.LEAST_SECONDS", 3.0)
    line = Line()
    _worker(line, order_of(read_cue(small_cue), tmp_path / "journal"), 0.01)  # type: ignore[arg-type]
    found = [one for one in line.told if isinstance(one, Trial)]
    assert found
    assert found[0].payload["rungs"]


def test_the_foreground_carries_the_music(small_evaluator: Evaluator) -> None:
    """By role, or as the cue file says; where none does, all do."""
    cue = small_evaluator.cue
    np.testing.assert_array_equal(foreground_of(cue), [True, True, False, False])
    marked = replace(
        cue, tracks=tuple(replace(t, foreground=t.name == "horns") for t in cue.tracks)
    )
    np.testing.assert_array_equal(foreground_of(marked), [False, False, True, False])
    none = replace(cue, tracks=tuple(replace(t, foreground=False) for t in cue.tracks))
    assert foreground_of(none).all()
    limits = limits_of(replace(cue, search=replace(cue.search, drier_db=4.0, trim_db=2.0)))
    assert (limits.drier_db, limits.contrast_db) == (4.0, float("inf"))
    assert limits.layer_low_db == cue.search.layer_low_db + 2.0
    assert limits.room_share == (1.5, 0.03)
    assert limits_of(replace(cue, search=replace(cue.search, room_share=2.0))).room_share[0] == 2.0


def test_what_makes_two_runs_the_same(small_cue: Path) -> None:
    """Every value and every stem counts, but for the trials and the composer's own mix."""
    cue = read_cue(small_cue)
    same = replace(cue, search=replace(cue.search, trials=99), path=Path("elsewhere.toml"))
    assert cue_hash(same) == cue_hash(cue)
    assert re.fullmatch("[0-9a-f]{32}", cue_hash(cue))
    surveyed = [survey(track.files, cue.sample_rate).hashes for track in cue.tracks]
    assert cue_hash(cue, surveyed) == cue_hash(cue)  # no need to read them again
    other = replace(cue, search=replace(cue.search, seed=2))
    swapped = replace(
        cue, tracks=(replace(cue.tracks[0], files=cue.tracks[1].files), *cue.tracks[1:])
    )
    assert len({cue_hash(one) for one in (cue, other, swapped)}) == 3


def test_a_passage_beyond_the_end_is_refused(small_cue: Path) -> None:
    """It is named with the length of the longest stem."""
    cue = replace(read_cue(small_cue), excerpt=(1.0, 30.0))
    with pytest.raises(CueError, match=r"cue.excerpt = \[1, 30\] ends after the longest stem"):
        survey_cue(cue, Told())
