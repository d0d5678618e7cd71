"""What a candidate may never do, in dB beyond each limit.

Unit: dB beyond the limit, 0 where it holds. `PENALTY` a dB enters the total: far more than a dB of
anything can gain, yet continuous, so that a search can climb back. `TOLERANCE_DB` decides
`feasible`. Witness: closed forms, and the attack tests: no cheat may win.

`track_violations`: drier, trim, mono, lows of each track. `side_violations`: its sides.
`share_violations`: its part of the room. `tone_violations`: its tone. `whole_violations`: late,
low, balance, mono, contrast of the mix. All hold as they stand: nothing is kept in hand.
"""

from __future__ import annotations

import numpy as np

from placer.cost import formulas
from placer.cost.formulas import TINY, beyond
from placer.cost.low_weight import MATTERS
from placer.cost.mono import whole_loss_db
from placer.cost.scene import Limits
from placer.cost.whole import Whole, late_change_db
from sim.decibel import FloatArray

PENALTY = 1.0
"""Cost of one dB beyond a limit; the whole of audibility is worth 1."""

TOLERANCE_DB = 0.05
"""A limit missed by less than this still counts as held, dB."""

LOUDNESS_SLACK_DB = 1.0
"""Band energies follow gated BS.1770 loudness only so far, dB (measured in the tests)."""


def track_violations(
    late_change_db: FloatArray,
    loudness_change_db: FloatArray,
    mono_loss_db: FloatArray,
    lows: tuple[FloatArray, FloatArray],
    limits: Limits,
) -> dict[str, FloatArray]:
    """Violations of single tracks.

    Parameters
    ----------
    late_change_db, loudness_change_db : (T,) FloatArray
        Late energy and K-weighted energy against the reference.
    mono_loss_db : (T,) FloatArray
        From `mono.track_loss_db`.
    lows : pair of (T, 11) FloatArray
        From `low_weight`: `layer_change_db` and `layer_matters`.
    limits : Limits

    Returns
    -------
    dict of (T,) FloatArray
        "drier", "trim", "mono", "layer lows" (sum over thirds), each dB beyond the limit.
    """
    change, matters = lows
    return {
        "drier": beyond(-late_change_db, limits.drier_db),
        "trim": beyond(np.abs(loudness_change_db), limits.trim_db + LOUDNESS_SLACK_DB),
        "mono": beyond(mono_loss_db, limits.mono_db),
        "layer lows": (matters * beyond(np.abs(change), limits.layer_low_db)).sum(-1),
    }


def side_violations(
    side: tuple[FloatArray, FloatArray], room_side: tuple[FloatArray, FloatArray], limits: Limits
) -> dict[str, FloatArray]:
    """Violations of single tracks that leave the picture for one loudspeaker.

    Parameters
    ----------
    side, room_side : pair of (T,) FloatArray
        Right against left in dB, now and in the reference: of the track, and of its late energy.
    limits : Limits

    Returns
    -------
    dict of (T,) FloatArray
        "side", "room side", each dB beyond the limit, or beyond the reference where that leans
        further.
    """
    return {
        name: np.maximum(np.abs(now) - np.maximum(np.abs(then), most), 0.0)
        for name, (now, then), most in (
            ("side", side, limits.side_db),
            ("room side", room_side, limits.room_side_db),
        )
    }


def share_violations(
    late: FloatArray, before: FloatArray, whole_late: float, limits: Limits
) -> dict[str, FloatArray]:
    """Violations of single tracks that carry too much of the room.

    Parameters
    ----------
    late, before : (T,) FloatArray
        Late energy now and in the reference.
    whole_late : float
        Late energy of the whole reference mix.
    limits : Limits

    Returns
    -------
    dict of (T,) FloatArray
        "room share", dB of late energy beyond what is allowed.
    """
    factor, points = limits.room_share
    allowed = factor * before + points * whole_late
    return {"room share": np.maximum(formulas.decibel((late + TINY) / (allowed + TINY)), 0.0)}


def tone_violations(
    mean_db: FloatArray, most_db: FloatArray, limits: Limits
) -> dict[str, FloatArray]:
    """Violations of single tracks that change their tone.

    Parameters
    ----------
    mean_db, most_db : (T,) FloatArray
        From `tone.tone_change_db`.
    limits : Limits

    Returns
    -------
    dict of (T,) FloatArray
        "tone mean", "tone most", each dB beyond the limit.
    """
    return {
        "tone mean": beyond(mean_db, limits.tone_mean_db),
        "tone most": beyond(most_db, limits.tone_most_db),
    }


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
    limits : Limits

    Returns
    -------
    dict of float
        "late" (of `whole.LATE_RANGES` the worst), "low" (sum over the thirds that matter),
        "balance", "low balance", "whole mono", "low mono", "contrast", each dB beyond the limit.
    """
    matters = low_significance >= MATTERS

    def _lean(new: float, old: float) -> float:
        return max(abs(new) - max(limits.balance_db, abs(old)), 0.0)

    def _fold(new: float, old: float) -> float:
        return max(whole_loss_db(new, old) - limits.mono_db, 0.0)

    return {
        "late": float(beyond(np.abs(late_change_db(now, then)), limits.late_db).max()),
        "low": float((beyond(np.abs(low_change_db), limits.low_db) * matters).sum()),
        "balance": _lean(now.lean_db, then.lean_db),
        "low balance": _lean(now.low_lean_db, then.low_lean_db),
        "whole mono": _fold(now.mono_gain_db, then.mono_gain_db),
        "low mono": _fold(now.low_mono_gain_db, then.low_mono_gain_db),
        "contrast": max(abs(now.drr_change_db) - limits.contrast_db, 0.0),
    }
