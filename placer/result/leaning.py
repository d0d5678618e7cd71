"""Where the rendered sum of a mix leans further to a side than the analysed passage may.

*Conventions*: levels in dB, left against right, of the whole file; the limit holds for the passage.

`lean_lines`: what to tell of a mix, on the screen, in the sheet and on the page.
"""

from __future__ import annotations

from placer.cost.scene import Limits
from placer.result.model import Mix, Result

RENDERED_DB = 0.3
"""What the rendered sum misses a limit by is told from so much on, dB."""

LEANS = {"left_right_db": "levels", "left_right_low_db": "the lows (below 250 Hz)"}
"""Figures of the sum that lean to a side, in words."""

BALANCE_DB = Limits().balance_db


def lean_lines(result: Result, mix: Mix) -> list[str]:
    """What of a rendered sum leans to a side by more than its limit, one line each.

    Parameters
    ----------
    result : Result
    mix : Mix
        One of its mixes, or its reference.
    """
    lines = []
    for figure, words in LEANS.items():
        now, then = (getattr(one.figures, figure) for one in (mix, result.reference))
        limit = max(BALANCE_DB, abs(then))
        if abs(now) > limit + RENDERED_DB:
            side = "left" if now > 0.0 else "right"
            lines.append(
                f"{words} of the whole file are {abs(now):.1f} dB louder on the {side} (limit "
                f"{limit:.1f} dB, which the analysed passage holds); hear whether it disturbs, or "
                "name a passage that stands for the cue: [cue] excerpt"
            )
    return lines
