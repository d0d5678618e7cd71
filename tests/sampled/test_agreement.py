"""Tables and real convolution agree in their order of placements of a sampled cue.

Bounds leave room below what was measured on longer passages (`python -m tests.sampled.agreement`).
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.sampled.agreement import agreement, judge_of

pytestmark = [pytest.mark.sampled, pytest.mark.slow]


def test_tables_rank_as_real_convolution_does(sampled: Callable[[str], Path]) -> None:
    """At random, among good placements mixed anew, and among the best tenth of those."""
    found = agreement(judge_of(sampled("quarry"), 8.0), count=100)
    assert found.random > 0.9
    assert found.mixed > 0.85
    assert found.best_tenth > 0.3
