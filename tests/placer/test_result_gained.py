"""What gained most and what is still hidden: in the result, on the sheet, on the page."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from placer.result.facts import changes
from placer.result.gained import first_moves, gain_records, gained_lines, hidden_lines
from placer.result.moves_sheet import moves_markdown
from placer.result.report import write_report
from placer.result.schema import problem
from placer.trial.judge import Judge
from tests.placer.result_run import CAST, result_facts, write_run
from tests.placer.small_cue import SmallRun
from tests.placer.test_trial_scoring import random_placements

NAMES = [name for name, *_ in CAST]


def gain(index: int, cost: float, **changed: Any) -> dict[str, Any]:
    """One invented entry of "gains"."""
    return {
        "name": NAMES[index], "cost": cost, "terms": {"audibility": 0.3 * cost, "low_weight": cost},
        "audibility": 0.06, "others": {}, "breaks": {},
    } | changed  # fmt: skip


def told() -> dict[str, Any]:
    """A result whose first mix knows what its moves gain."""
    result = result_facts(2)
    result["mixes"][0]["gains"] = [
        gain(1, 0.031, others={NAMES[0]: 0.12, NAMES[4]: -0.02}, breaks={"late": 0.42}),
        gain(4, 0.012),
        gain(0, 0.004),
        gain(3, 0.002),
        gain(5, -0.001),
    ]
    return result


def test_what_is_told_is_a_valid_result() -> None:
    """The schema takes it, takes runs without it and refuses what is damaged."""
    assert problem(result_facts(2)) == ""
    assert problem(told()) == ""
    for key, value in (("cost", "much"), ("others", {"x": None}), ("name", "nobody")):
        damaged = told()
        damaged["mixes"][0]["gains"][0][key] = value
        assert "gains" in problem(damaged)


def test_the_three_that_gain_most_come_first() -> None:
    """At most three, the greatest first, with cost, own audibility, others and limits."""
    result = told()
    mix = result["mixes"][0]
    assert first_moves(mix) == [NAMES[1], NAMES[4], NAMES[0]]
    assert first_moves(result["mixes"][1]) == []
    name, words = gained_lines(result, mix)[0]
    assert name == NAMES[1]
    for part in (
        "0.0310 of cost, most of it in low weight",
        "own audibility +0.06",
        f"{NAMES[0]} +0.12",
        f"{NAMES[4]} -0.02",
    ):
        assert part in words
    assert "would miss its limit on late by 0.4 dB" in words
    mix["gains"] = [gain(1, 0.0001), gain(4, -0.2)]
    assert gained_lines(result, mix) == []


def test_the_most_hidden_are_named_with_those_who_hide_them() -> None:
    """By the matrix of the mix; what is heard well is not called hidden; own room is named."""
    result = result_facts(1)
    mix = result["mixes"][0]
    count = len(NAMES)
    mix["maskers"] = [[0.0] * count for _ in range(count)]
    for track in mix["tracks"]:
        track["audibility"] = 0.9
    assert hidden_lines(result, mix) == []
    mix["tracks"][2]["audibility"], mix["tracks"][4]["audibility"] = 0.31, 0.2
    mix["maskers"][2] = [0.1, 0.4, 0.15, 0.02, 0.0, 0.0]
    mix["maskers"][4][0] = 0.8
    (first, by), (second, also) = hidden_lines(result, mix)
    assert (first, second) == (NAMES[4], NAMES[2])
    assert by == f"audible to 20 %; hidden by {NAMES[0]} 80 %"
    assert also == (
        f"audible to 31 %; hidden by {NAMES[1]} 40 %, its own room 15 %, {NAMES[0]} 10 %"
    )


def test_the_sheet_marks_what_to_do_first() -> None:
    """Three headings and one line; none where nothing is known."""
    result = told()
    sheet = moves_markdown(result, 1)
    assert f"Do these first, they gain most: {NAMES[1]}, {NAMES[4]}, {NAMES[0]}." in sheet
    heads = [line for line in sheet.splitlines() if line.startswith("## ")]
    assert sum("(do this first)" in line for line in heads) == 3
    assert any(f"{NAMES[1]} (do this first)" in line for line in heads)
    assert "first" not in moves_markdown(result, 2)


def test_the_report_shows_both(tmp_path: Path) -> None:
    """Under the mix that knows, escaped; without a heading where there is nothing to say."""
    folder = tmp_path / "run"
    result = write_run(folder, mixes=2, seconds=0.5, stems=False)
    result["mixes"][0]["gains"] = [gain(5, 0.02)]
    (folder / "result.json").write_text(json.dumps(result))
    html = write_report(folder).read_text(encoding="utf-8")
    assert html.count("What gained most") == 1
    assert "<strong>Deep swell &lt;fixed&gt;" in html
    assert html.count("Still hidden") == 3


def test_records_of_a_real_mix(small_judge: Judge) -> None:
    """Every moved track, the greatest first, and putting one back for real costs about as much."""
    scorer = small_judge.scorer
    placements = random_placements(small_judge, seed=3)
    scored = scorer.score(placements)
    rows = [{"name": track.name} for track in small_judge.material.cue.tracks]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("placer.result.gained.change_size", lambda *_: 1.0)
        found = gain_records(scorer, scored, scorer.sounding(scorer.starts), (rows, rows))
    assert {one["name"] for one in found} == {row["name"] for row in rows}
    assert [one["cost"] for one in found] == sorted((g["cost"] for g in found), reverse=True)
    names = [row["name"] for row in rows]
    for one in found:
        index = names.index(one["name"])
        back = [*placements]
        back[index] = scorer.starts[index]
        really = scorer.score(back).cost
        # how layers meet in phase does not enter audibility, so the shares are the same
        change = scored.cost.heard.share - really.heard.share
        assert one["audibility"] == pytest.approx(change[index], abs=2e-3)
        terms = {
            term: getattr(scorer.scene.weights, term) * (value - scored.cost.terms[term])
            for term, value in really.terms.items()
        }
        assert one["cost"] == pytest.approx(sum(terms.values()), abs=0.01)
        assert one["terms"] == pytest.approx(terms, abs=0.01)


def test_a_search_stores_what_its_moves_gain(small_run: SmallRun) -> None:
    """Only for tracks that changed, the reference for none; and it is the result's own gain."""
    result = small_run.result
    assert result["reference"]["gains"] == []
    before = {track["name"]: track for track in result["reference"]["tracks"]}
    for mix in result["mixes"]:
        moved = {t["name"] for t in mix["tracks"] if changes(before[t["name"]], t)}
        assert {one["name"] for one in mix["gains"]} == moved
        assert mix["gains"][0]["cost"] > 0.0
