"""What a candidate may never do, in dB beyond each limit.

Unit: dB beyond the limit, 0 where it holds. `PENALTY` a dB enters the total: far more than a dB of
anything can gain, yet continuous, so that a search can climb back. `TOLERANCE_DB` decides
`feasible`. Witness: closed forms, and the attack tests: no cheat may win.

`side_violation`: of what leans. `share_violation`: of a track's part of the room; its other limits
stand in `track_figures.measure`. `whole_violations`: late, low, balance, mono, contrast of the mix.
All hold as they stand: nothing is kept in hand.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from placer.cost import formulas
from placer.cost.formulas import TINY, beyond, fold_loss_db
from placer.cost.low_weight import MATTERS
from placer.cost.scene import Limits
from placer.cost.whole import Whole, late_change_db
from sim.decibel import FloatArray

PENALTY = 1.0
"""Cost of one dB beyond a limit; the whole of audibility is worth 1."""

TOLERANCE_DB = 0.05
"""A limit missed by less than this still counts as held, dB."""

LOUDNESS_SLACK_DB = 1.0
"""Band energies follow gated BS.1770 loudness only so far, dB (measured in the tests)."""


def side_violation(now_db: Any, then_db: Any, most_db: float) -> Any:
    """How far something leans beyond the limit, or beyond what it did where that was further."""
    return beyond(np.abs(now_db), np.maximum(np.abs(then_db), most_db))


def share_violation(
    late: FloatArray, before: FloatArray, whole_late: float, limits: Limits
) -> FloatArray:
    """By how many dB each track carries too much of the room, elementwise.

    Parameters
    ----------
    late, before : (T,) FloatArray
        Late energy now and in the reference.
    whole_late : float
        Late energy of the whole reference mix.
    """
    factor, points = limits.room_share
    allowed = factor * before + points * whole_late
    over: FloatArray = np.maximum(formulas.decibel((late + TINY) / (allowed + TINY)), 0.0)
    return over


def whole_violations(
    now: Whole,
    then: Whole,
    low_change_db: FloatArray,
    *,
    low_significance: FloatArray,
    limits: Limits,
) -> dict[str, float]:
    """Violations of the whole mix.

    Parameters
    ----------
    now, then : Whole
        Of the candidate and of the reference.
    low_change_db, low_significance : (11,) FloatArray
        From `low_weight`.

    Returns
    -------
    dict of float
        "late" (of `whole.LATE_RANGES` the worst), "low" (sum over the thirds that matter),
        "balance", "low balance", "file balance", "file low balance", "whole mono", "low mono",
        "contrast", each dB beyond the limit.
    """
    matters = low_significance >= MATTERS
    whole_loss = fold_loss_db(now.mono_gain_db, then.mono_gain_db)
    low_loss = fold_loss_db(now.low_mono_gain_db, then.low_mono_gain_db)
    found = {
        "late": beyond(np.abs(late_change_db(now, then)), limits.late_db).max(),
        "low": (beyond(np.abs(low_change_db), limits.low_db) * matters).sum(),
        "balance": side_violation(now.lean_db, then.lean_db, limits.balance_db),
        "low balance": side_violation(now.low_lean_db, then.low_lean_db, limits.balance_db),
        "file balance": side_violation(now.file_lean_db, then.file_lean_db, limits.balance_db),
        "file low balance": side_violation(
            now.file_low_lean_db, then.file_low_lean_db, limits.balance_db
        ),
        "whole mono": beyond(whole_loss, limits.mono_db),
        "low mono": beyond(low_loss, limits.mono_db),
        "contrast": beyond(abs(now.drr_change_db), limits.contrast_db),
    }
    return {name: float(value) for name, value in found.items()}
