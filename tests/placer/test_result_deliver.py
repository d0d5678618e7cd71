"""A stated demand that is not met is told in words that name the file and by how much."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from placer.pipeline import end_lines
from placer.result.deliver import LEAST_MISS, rungs_missing, to_hear, unmet
from placer.result.folder import RunFolder
from placer.result.model import Result
from tests.placer.small_cue import SmallRun


def with_(run: SmallRun, **changed: Any) -> Result:
    """The run's result with values of its best mix changed."""
    first, *others = run.result.mixes
    return replace(run.result, mixes=(replace(first, **changed), *others))


def test_what_is_met_is_not_mentioned(small_run: SmallRun) -> None:
    """Nor what is missed by less than any meter shows."""
    assert unmet(small_run.result) == []
    least = LEAST_MISS - 0.001
    assert unmet(with_(small_run, missed_lu=least, violations={"late": least})) == []


def test_each_miss_is_one_line(small_run: SmallRun) -> None:
    """Loudness with its reason, limits with their size."""
    lines = unmet(with_(small_run, missed_lu=1.25, violations={"late": 0.31, "balance": 0.02}))
    assert lines == [
        "mix-01.wav: 1.2 LU below the loudness target, because the true-peak ceiling of -1 dBTP "
        "comes first; nothing was limited",
        "mix-01.wav: limit on late missed by 0.31 dB",
    ]


@pytest.mark.parametrize(("by", "side"), [(1.0, "left"), (-1.0, "right")])
def test_a_render_that_leans_is_told(small_run: SmallRun, by: float, side: str) -> None:
    """The passage may hold the balance and the whole file not; the reference may lean further."""
    figures = small_run.result.mixes[0].figures
    before = abs(small_run.result.reference.figures.left_right_low_db)
    limit = max(1.5, before)
    least, more = (
        with_(small_run, figures=replace(figures, left_right_low_db=by * (limit + beyond)))
        for beyond in (0.29, 0.8)
    )
    assert to_hear(least) == []
    (line,) = to_hear(more)
    assert unmet(more) == []  # heard or not, it is no demand of the cue
    assert f"to hear: {line}" in end_lines(RunFolder(small_run.folder), more)
    assert line.startswith("mix-01.wav: the lows (below 250 Hz) of the whole file are")
    assert f"{limit + 0.8:.1f} dB louder on the {side} (limit {limit:.1f} dB" in line


def test_a_search_that_found_nothing_says_so(small_run: SmallRun) -> None:
    """No mix is an answer too, but not the one that was asked for."""
    result = replace(small_run.result, mixes=())
    assert unmet(result) == ["no placement was found that beats the reference within the limits"]


def test_a_rung_that_found_nothing_is_named(small_run: SmallRun) -> None:
    """Few moves that gain nothing are a demand missed; a mix like another one is not."""
    mix = small_run.result.mixes[0]
    asked = ("few", "some", "contrast", "clearest")
    result = replace(small_run.result, mixes=(replace(mix, rung="contrast"),))
    missed, notes = rungs_missing(asked, result)
    assert [line.split(" is there")[0] for line in missed] == [
        "no mix of 'few moves'",
        "no mix of 'more moves'",
    ]
    assert all("[search] moves" in line for line in missed)
    assert len(notes) == 1
    assert notes == ["No mix of 'all may move': nothing better was found."]
    both = replace(result, mixes=(replace(mix, rung="few"),))
    assert rungs_missing(("few", "other"), both)[1] == [
        "No second mix of few moves: nothing better was found."
    ]
    assert rungs_missing(("contrast",), result) == ([], [])
