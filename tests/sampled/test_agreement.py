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
    """At random, and among good placements mixed anew.

    The best tenth of those lies within a few thousandths of cost: there the error itself is bound.
    """
    found = agreement(judge_of(sampled("quarry"), 8.0), count=100)
    assert found.random > 0.95
    assert found.mixed > 0.85
    assert found.error < 0.003
