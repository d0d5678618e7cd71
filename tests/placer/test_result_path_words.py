"""The path to a mix: measured forward, told in words, and who is heard and hidden on the way."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

from placer.result import path_words
from placer.result.deliver import path_record
from placer.result.facts import changes, mix_of, pairs
from placer.result.first_screen import path_data
from placer.result.folder import RunFolder
from placer.result.model import AnsweredMove, PathStep
from placer.result.moves_sheet import moves_markdown
from placer.result.path_words import (
    ANOTHER_TRY,
    ONE_CHANGE,
    TOGETHER,
    freed_by,
    gain_share,
    hidden_lines,
    microphones_record,
    microphones_words,
    step_effect,
    step_gains,
    step_words,
    track_numbers,
)
from placer.result.report import write_report
from placer.run.evaluator import Evaluator
from placer.run.trial import Candidate
from tests.placer.result_run import CAST, changed, problem, result_facts, run_result, write_run
from tests.placer.small_cue import SmallRun

NAMES = [name for name, *_ in CAST]


def two_steps(evaluator: Evaluator) -> Candidate:
    """The celli go near and to the left, then the other two moved tracks turn together."""
    low, high, horns, click = evaluator.starts
    return Candidate(
        rung="few",
        cost=0.0,
        shared=(),
        placements=(
            replace(low, pan=-0.5, blend_db=(0.0, -6.0, -6.0, -9.0)),
            replace(high, pan=0.3),
            replace(horns, pan=0.4),
            click,
        ),
        steps=((0,), (1, 2)),
        nested=False,
    )


def test_a_path_is_measured_forward(
    small_evaluator: Evaluator, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each step is the mix with all moves up to it, judged as if no later move were known."""
    monkeypatch.setattr(path_words, "CLEARLY_LESS", 0.001)  # little hides in so small a cue
    candidate = two_steps(small_evaluator)
    found = path_record(small_evaluator, candidate)
    assert [step.tracks for step in found] == [("low",), ("high", "horns")]
    starts = small_evaluator.starts
    mixes = [(candidate.placements[0], *starts[1:]), candidate.placements]
    for step, mix in zip(found, mixes, strict=True):
        cost = small_evaluator.breakdown(small_evaluator.own, mix)
        assert step.cost == pytest.approx(cost.total, abs=1e-6)  # six digits are kept
        heard = dict(zip(("low", "high", "horns", "click"), cost.heard.share, strict=True))
        assert step.audibility == pytest.approx(heard, abs=1e-4)
    before = small_evaluator.breakdown(small_evaluator.own, starts).heard.hides
    names = ["low", "high", "horns", "click"]
    told = 0
    for step, mix in zip(found, mixes, strict=True):
        after = small_evaluator.breakdown(small_evaluator.own, mix).heard.hides
        for one in step.freed:
            cell = names.index(one.layer), names.index(one.by)
            assert {one.layer, one.by} & set(step.tracks)
            assert (one.before, one.after) == pytest.approx((before[cell], after[cell]), abs=1e-4)
            told += 1
        before = after
    assert told  # of the step before, not of the reference
    first, last = (step.cost for step in found)
    assert abs(first - last) > 1e-3  # the second step is not lost in rounding


def test_a_search_tells_its_path(small_run: SmallRun) -> None:
    """Every track that moves is in one step, each step lowers the cost, the last is the mix."""
    result = small_run.result
    assert result.reference.path is None
    for mix in result.mixes:
        named = mix.moved
        moved = {
            track.name for track, before, after in pairs(result, mix) if changes(before, after)
        }
        assert sorted(named) == sorted(moved)
        costs = [result.reference.cost, *(step.cost for step in mix.steps)]
        assert costs == sorted(costs, reverse=True)
        assert costs[-1] == pytest.approx(mix.cost, abs=2e-6)
        last = mix.steps[-1].audibility
        assert last == {track.name: track.audibility for track in mix.tracks}


def test_a_nested_mix_begins_with_the_moves_of_the_one_before(small_evaluator: Evaluator) -> None:
    """One path leads through both: what the first says of its steps, the second says too."""
    second = two_steps(small_evaluator)
    starts = small_evaluator.starts
    first = replace(second, placements=(second.placements[0], *starts[1:]), steps=((0,),))
    found = path_record(small_evaluator, replace(second, rung="some", nested=True))
    assert found[:1] == path_record(small_evaluator, first)
    assert len(found) == 2


def test_microphones_of_its_own_are_told_before_the_first_move(small_evaluator: Evaluator) -> None:
    """What they bring while nothing moves is theirs; what the first move brings begins there."""
    own = two_steps(small_evaluator)
    other = replace(own, shared=(("tree_height", 3.9),))
    assert microphones_record(small_evaluator, own) is None
    found = microphones_record(small_evaluator, other)
    assert found is not None
    assert found.tracks == ()
    arranged = small_evaluator.at(dict(other.shared))
    cost = small_evaluator.breakdown(arranged, small_evaluator.starts)
    assert abs(cost.total - small_evaluator.reference.total) > 1e-4  # they do change something
    assert found.cost == pytest.approx(cost.total, abs=1e-6)
    names = ("low", "high", "horns", "click")
    heard = dict(zip(names, cost.heard.share, strict=True))
    assert found.audibility == pytest.approx(heard, abs=1e-4)


def test_microphones_and_moves_add_up(tmp_path: Path) -> None:
    """Sheet, page and player begin the first move at what the microphones bring."""
    folder = RunFolder(tmp_path)
    result = write_run(tmp_path, seconds=1.0)
    plain = mix_of(result, 1)
    assert microphones_words(result, plain) == ""
    assert step_gains(result, plain, 1) == (33, 33)
    before, after = result.reference.cost, plain.cost
    heard = dict(plain.steps[0].audibility)
    alone = PathStep(tracks=(), cost=before - 0.2 * (before - after), audibility=heard)
    mix = msgspec.structs.replace(plain, microphones=alone)
    assert step_gains(result, mix, 1) == (13, 33)
    told = microphones_words(result, mix)
    assert told.startswith("Before move 1, the microphones of all dry tracks: close_distance 1.6 m")
    assert "Audible: " in told
    assert told.endswith("brings 20 % of this mix's improvement.")
    assert "Audible" not in step_effect(result, mix, 1)  # the first move adds nothing to them here
    worse = msgspec.structs.replace(
        plain, microphones=PathStep(tracks=(), cost=before + 0.01, audibility=heard)
    )
    assert "nothing; the moves need it" in microphones_words(result, worse)
    with_own = msgspec.structs.replace(result, mixes=(mix, *result.mixes[1:]))
    assert told.split(":")[0] in moves_markdown(with_own, 1).replace("\\", "")
    folder.write_result(with_own)
    page = write_report(tmp_path).read_text(encoding="utf-8")
    assert "Before move 1, the microphones" in page
    (item, first, *_) = path_data(with_own, mix, list(range(len(NAMES))))["items"]
    assert item["key"] == "A"
    assert item["set"] == "close_distance 1.6 m, tree_height 3.2 m"
    # what to set stands beside each step, without how it is heard then
    ((_, told_first), *_) = step_words(with_own, mix, 1)
    assert first["set"] == told_first.split(" (heard")[0]
    assert set(item["audible"].values()) <= set(heard.values())


def test_what_is_told_is_a_valid_result() -> None:
    """The schema takes a path, and refuses one that is missing or damaged."""
    assert problem(result_facts(4)) == ""
    for key, value, told in (
        ("rung", "many", "rung = 'many': is unknown; allowed: few, some, contrast, clearest"),
        ("nested", 1, "nested = 1: expected true or false"),
        ("path", [{"tracks": [NAMES[0]], "cost": "much", "audibility": {}}], "path[0].cost"),
        ("path", [{"tracks": ["nobody"], "cost": 1.0, "audibility": {}}], "path: names nobody"),
    ):
        damaged = result_facts(2)
        damaged["mixes"][1][key] = value
        assert f"mixes[1].{told}" in problem(damaged)
        del damaged["mixes"][1][key]
        assert problem(damaged) == f"mixes[1].{key}: is missing"


def test_what_a_step_frees_is_what_matters_most_of_what_it_moves() -> None:
    """One that it hides less, one that hides it less; the foreground first; no other pair."""
    before = np.full((4, 4), 0.2)
    after = before.copy()
    after[0, 1] = 0.1  # track 1 moves and frees track 0 ...
    after[2, 1] = 0.02  # ... and, more, one that does not carry the music
    after[1, 3] = 0.15  # it is itself freed from track 3
    after[0, 2] = 0.0  # not of this step
    after[1, 1] = 0.0  # its own room is none that could move
    front = np.array([True, True, False, False])
    found = freed_by([1], (before, after), (np.ones(4), front))
    assert found == [(0, 1, 0.2, 0.1), (1, 3, 0.2, 0.15)]
    weighty = np.array([1.0, 3.0, 1.0, 1.0])
    assert freed_by([1], (before, after), (weighty, front))[0][:2] == (1, 3)
    nobody = np.zeros(4, dtype=bool)
    assert freed_by([1], (before, after), (np.ones(4), nobody))[0][:2] == (2, 1)
    after[1, 3] = after[0, 1] = after[2, 1] = 0.18  # hardly less: the one that matters most
    (only,) = freed_by([1], (before, after), (np.ones(4), front))
    assert only == pytest.approx((0, 1, 0.2, 0.18))
    after[1, 3] = after[0, 1] = after[2, 1] = 0.195
    assert freed_by([1], (before, after), (np.ones(4), front)) == []


def test_one_pair_of_a_step_is_told_once() -> None:
    """Where both move in one step, the fall between them is one."""
    before, after = np.full((2, 2), 0.3), np.full((2, 2), 0.3)
    after[0, 1] = 0.1
    found = freed_by([0, 1], (before, after), (np.ones(2), np.ones(2, dtype=bool)))
    assert found == [(0, 1, 0.3, 0.1)]


@pytest.mark.parametrize(
    ("freed", "told"),
    [
        ({"layer": "nobody"}, "names nobody, which the run does not have"),
        ({"layer": NAMES[0]}, "would be freed from itself"),
        ({"by": NAMES[1]}, "moves in this step"),
        ({"after": 0.3}, "after = 0.3: expected less than before, which is 0.2"),
        ({"before": 1.2}, "path[0].freed[0].before = 1.2: "),
    ],
)
def test_what_a_step_cannot_have_freed_is_refused(freed: dict[str, Any], told: str) -> None:
    """Unknown names, itself, tracks of other steps, what is hidden more."""
    damaged = result_facts(1)
    right = {"layer": NAMES[3], "by": NAMES[0], "before": 0.2, "after": 0.1}
    damaged["mixes"][0]["path"][0]["freed"] = [right]
    assert problem(damaged) == ""
    damaged["mixes"][0]["path"][0]["freed"] = [right | freed]
    assert told in problem(damaged)


def test_a_step_says_what_to_do_and_what_it_brings() -> None:
    """The move of every track by number and name; who is heard before and after; how far one is."""
    result = run_result()
    mix = result.mixes[0]
    heard = {NAMES[1]: 0.30, NAMES[2]: 0.458, NAMES[3]: 0.56}
    heard = mix.steps[0].audibility | heard
    shares = result.reference.maskers
    result = changed(result, {"mixes.0.path.0.audibility": heard, "mixes.0.maskers": shares})
    mix = result.mixes[0]
    ((name, words),) = step_words(result, mix, 1)
    assert name == f"1 {NAMES[0]}"
    assert words.startswith("move 1.5 m to the left")
    assert step_effect(result, mix, 1) == (
        f"Audible: {NAMES[0]} 30 to 38 %; {NAMES[3]} 54 to 56 %; {NAMES[1]} 38 to 30 %. "
        "This move brings 33 % of this mix's improvement."
    )
    freed = [
        {"layer": NAMES[3], "by": NAMES[0], "before": 0.225, "after": 0.15},
        {"layer": NAMES[0], "by": NAMES[4], "before": 0.1, "after": 0.0},
    ]
    result = changed(result, {"mixes.0.path.0.freed": freed})
    mix = result.mixes[0]
    told = (
        f" {NAMES[0]} hid 23 % of {NAMES[3]}, now 15 %; {NAMES[4]} hid 10 % of {NAMES[0]}, now 0 %."
    )
    assert told in step_effect(result, mix, 1)
    assert "hid" not in step_effect(result, mix, 2)  # what one step frees is told of no other
    joint = step_words(result, mix, 3)
    assert [name for name, _ in joint] == [f"3a {NAMES[1]}", f"3b {NAMES[4]}"]
    assert step_effect(result, mix, 3).endswith(
        "These moves bring 33 % of this mix's improvement; with all moves up to here 100 %."
    )
    assert [step_gains(result, mix, number) for number in (1, 2, 3)] == [
        (33, 33), (34, 67), (33, 100),
    ]  # fmt: skip


@pytest.mark.parametrize(("points", "hardly"), [(0.02, True), (0.03, False)])
def test_a_difference_that_is_hardly_heard_is_called_so(points: float, hardly: bool) -> None:
    """Two points of a share are told, but not as if they were heard."""
    result = run_result()
    heard = {track.name: track.audibility for track in result.reference.tracks}
    heard[NAMES[1]] += points
    result = changed(result, {"mixes.0.path.0.audibility": heard})
    effect = step_effect(result, result.mixes[0], 1)
    assert effect.startswith("Audible, a difference hardly heard: " if hardly else "Audible: ")


def test_another_try_at_a_refused_track_is_told() -> None:
    """It is another place than the one refused, which may be kept later."""
    result = run_result()
    mix = result.mixes[0]
    ((_, plain),) = step_words(result, mix, 1)
    answer = AnsweredMove(name=NAMES[0], seat=None, pan=0.5, width=1.0, aligned=False, blend_db={})
    ((_, told),) = step_words(msgspec.structs.replace(result, refused=(answer,)), mix, 1)
    assert told == f"{plain}{ANOTHER_TRY}"
    both = msgspec.structs.replace(result, refused=(answer,), kept=(answer,))
    assert step_words(both, mix, 1)[0][1] == plain


def test_moves_that_need_one_another_are_marked() -> None:
    """Once, at the step of two; never at a step of one."""
    sheet = moves_markdown(run_result(), 1)
    assert sheet.count(TOGETHER) == 1
    assert f"3. {TOGETHER}" in sheet
    assert TOGETHER not in moves_markdown(run_result(), 2)
    of_one_bus = changed(run_result(), {f"tracks.{index}.bus": "low strings" for index in (1, 4)})
    sheet = moves_markdown(of_one_bus, 1)
    assert f"3. {ONE_CHANGE}" in sheet
    assert TOGETHER not in sheet


def test_gain_is_shared_from_the_reference_on() -> None:
    """Nothing before the first step, all after the last; a mix that gains nothing has no shares."""
    result = run_result()
    costs = enumerate((0.96, 0.98, 0.92))
    result = changed(result, {f"mixes.0.path.{step}.cost": cost for step, cost in costs})
    mix = result.mixes[0]
    shares = [gain_share(result, mix, number) for number in range(4)]
    assert shares == pytest.approx([0.0, 0.5, 0.25, 1.0])
    assert gain_share(result, msgspec.structs.replace(mix, cost=1.0), 2) == 0.0


def test_many_tracks_of_one_step_are_lettered() -> None:
    """After z comes aa; tracks that stay have no number."""
    names = [f"t{i}" for i in range(30)]
    result = run_result(1)
    every = [msgspec.structs.replace(result.tracks[0], name=name) for name in [*names, "x", "y"]]
    step = PathStep(tracks=tuple(names), cost=0.0, audibility={})
    result = changed(result, {"tracks": every, "mixes.0.path": [step]})
    found = track_numbers(result, result.mixes[0])
    assert [found[name] for name in ("t0", "t25", "t26", "t29", "x", "y")] == [
        "1a", "1z", "1aa", "1ad", "", "",
    ]  # fmt: skip
    assert len(set(found.values())) == 31


def test_the_most_hidden_are_named_with_those_who_hide_them() -> None:
    """By the matrix of the mix; what is heard well is not called hidden; own room is named."""
    count = len(NAMES)
    heard = {f"mixes.0.tracks.{index}.audibility": 0.9 for index in range(count)}
    none = [[0.0] * count for _ in range(count)]
    result = changed(run_result(1), heard | {"mixes.0.maskers": none})
    assert hidden_lines(result, result.mixes[0]) == []
    result = changed(result, {
        "mixes.0.tracks.2.audibility": 0.31, "mixes.0.tracks.4.audibility": 0.2,
        "mixes.0.maskers.2": [0.1, 0.4, 0.15, 0.02, 0.0, 0.0], "mixes.0.maskers.4.0": 0.8,
    })  # fmt: skip
    (first, by), (second, also) = hidden_lines(result, result.mixes[0])
    assert (first, second) == (NAMES[4], NAMES[2])
    assert by == f"20 % audible; hidden by {NAMES[0]} 80 %"
    assert also == (f"31 % audible; hidden by {NAMES[1]} 40 %, its own room 15 %, {NAMES[0]} 10 %")


def test_the_report_shows_the_path_and_what_is_hidden(tmp_path: Path) -> None:
    """Moves by number, names escaped; nothing under a head where there is nothing to say."""
    folder = tmp_path / "run"
    result = write_run(folder, mixes=2, seconds=0.5, stems=False)
    mixes = ("reference", "mixes.0", "mixes.1")
    heard = {f"{mix}.tracks.{i}.audibility": 0.9 for mix in mixes for i in range(len(NAMES))}
    heard["mixes.0.tracks.5.audibility"] = 0.1
    hidden = {"mixes.0.maskers.5": [0.7, 0.0, 0.0, 0.0, 0.0, 0.0]}
    RunFolder(folder).write_result(changed(result, heard | hidden))
    html = write_report(folder).read_text(encoding="utf-8")
    assert html.count("<h4>Still hidden</h4>") == 1
    assert "<strong>Deep swell &lt;fixed&gt; &amp; &quot;done&quot;</strong>: 10 % audible" in html
    assert f"<strong>1 {NAMES[0]}: move" in html
    assert f"3a {NAMES[1]}: " in html
    assert html.count(TOGETHER) == 1
    assert html.count('data-verdict="keep"') == sum(len(mix.steps) for mix in result.mixes)
