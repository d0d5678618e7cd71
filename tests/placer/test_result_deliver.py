"""A stated demand that is not met is told in words that name the file and by how much."""

from __future__ import annotations

import copy
from typing import Any

from placer.result.deliver import LEAST_MISS, unmet
from tests.placer.small_cue import SmallRun


def with_(run: SmallRun, **changed: Any) -> dict[str, Any]:
    """The run's result with values of its best mix changed."""
    result = copy.deepcopy(run.result)
    result["mixes"][0].update(changed)
    return result


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


def test_a_search_that_found_nothing_says_so(small_run: SmallRun) -> None:
    """No mix is an answer too, but not the one that was asked for."""
    result = {**small_run.result, "mixes": []}
    assert unmet(result) == ["no placement was found that beats the reference within the limits"]
