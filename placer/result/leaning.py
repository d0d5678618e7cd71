"""Where the rendered sum of a mix misses a limit that the analysed passage keeps.

*Conventions*: levels in dB, left against right, of the whole file; the limit holds for the passage.

`lean_lines`: where it leans, on the screen, in the sheet and on the page. `low_line`: where its
lows add up. `missed_words`: both in short.
"""

from __future__ import annotations

import numpy as np

from placer.cost.scene import Limits
from placer.result.model import Mix, Result

RENDERED_DB = 0.3
"""What the rendered sum misses a limit by is told from so much on, dB."""

LEANS = {"left_right_db": "levels", "left_right_low_db": "the lows (below 250 Hz)"}
"""Figures of the sum that lean to a side, in words."""

BALANCE_DB = Limits().balance_db

MATTERS_DB = 15.0
"""Low thirds of the rendered sum within so much of the strongest are looked at, dB."""


def lean_lines(result: Result, mix: Mix) -> list[str]:
    """What of a rendered sum leans to a side by more than its limit, one line each.

    Parameters
    ----------
    result : Result
    mix : Mix
        One of its mixes, or its reference.
    """
    return [
        f"{LEANS[figure]} of the whole file are {abs(now):.1f} dB louder on the {_side(now)} "
        f"(limit {limit:.1f} dB, which the analysed passage holds); hear whether it disturbs, or "
        "name a passage that stands for the cue: [cue] excerpt"
        for figure, now, limit in _leans(result, mix)
    ]


def _leans(result: Result, mix: Mix) -> list[tuple[str, float, float]]:
    """(figure, dB, its limit) of what leans by more than its limit."""
    found = []
    for figure in LEANS:
        now, then = (getattr(one.figures, figure) for one in (mix, result.reference))
        limit = max(BALANCE_DB, abs(then))
        if abs(now) > limit + RENDERED_DB:
            found.append((figure, now, limit))
    return found


def _side(level_db: float) -> str:
    return "left" if level_db > 0.0 else "right"


def _low_miss(result: Result, mix: Mix) -> float:
    """By how much the low thirds of the rendered sum that matter miss their limit, dB."""
    levels = np.array(result.reference.figures.thirds_db[:11])
    change = np.abs(np.array(mix.figures.low_thirds_db))
    matters = levels >= levels.max() - MATTERS_DB
    return float((change * matters).max() - result.limits.low_db)


def low_line(result: Result, mix: Mix) -> str:
    """What of the rendered lows is beyond their limit, "" where nothing is."""
    beyond = _low_miss(result, mix)
    if beyond <= RENDERED_DB:
        return ""
    return (
        f"in the render one low third is {beyond:.2f} dB over the limit, because layers add up "
        "there"
    )


def missed_words(result: Result, mix: Mix) -> list[str]:
    """What the whole file misses of the limits that the analysed passage keeps, in short."""
    found = [
        f"{'the lows lean' if 'low' in figure else 'whole file leans'} {abs(now):.1f} dB to the "
        f"{_side(now)}"
        for figure, now, _ in _leans(result, mix)
    ]
    low = _low_miss(result, mix)
    return [*found, *[f"one low third {low:.1f} dB over the limit"] * (low > RENDERED_DB)]
