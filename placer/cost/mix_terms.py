"""Whether the mix leans to one side, survives a fold-down to mono, and reaches its loudness.

`balance`: squared dB of left against right beyond what the reference leans, over
`formulas.LEAN_SCALE_DB`; the mean of the whole (loudness-weighted) and of the lows (25-250 Hz).
Positive dB is louder on the right.

`mono`: dB of the energy of L + R against L and R apart. Of a track, only what cancels counts (a
decorrelated or one-sided track is the zero, as panning law has it); of the whole and of its lows,
everything against the reference counts. Beyond the reference, over `FOLD_SCALE_DB`.
`track_loss_db`: beyond the reference; of the whole, `formulas.fold_loss_db`.

`loudness`: LU short of the target at the true-peak ceiling, over `SCALE_LU`. Before a mix is
rendered its loudness is that of the reference with the change of its K-weighted energy, its peak
that of the reference. `missing_lu`: what the reference is short of.

Witness: closed forms; of a fold-down +3.01 dB for a centred track, 0 for a decorrelated or
one-sided one (that is +6.02 and +3.01 against one channel), all lost in antiphase.
"""

from __future__ import annotations

import numpy as np

from placer.cost import formulas
from sim.decibel import FloatArray

FOLD_SCALE_DB = 3.0
"""Loss beyond the reference in a fold-down that costs 1, dB."""

SCALE_LU = 3.0
"""Missing loudness that costs 1, LU."""


def balance(whole_db: float, low_db: float, *, reference: tuple[float, float]) -> float:
    """Cost of leaning, 0 or more.

    Parameters
    ----------
    whole_db, low_db : float
        From `formulas.lean_db`.
    reference : (whole, low) float
        The same of the reference mix.
    """
    pairs = zip((whole_db, low_db), reference, strict=True)
    return 0.5 * sum(float(formulas.lean_cost(now, then)) for now, then in pairs)


def track_loss_db(gain_db: FloatArray, reference_db: FloatArray) -> FloatArray:
    """What tracks lose by cancelling, beyond what they lose in the reference, dB (T,)."""
    loss: FloatArray = np.maximum(np.maximum(-gain_db, 0.0) - np.maximum(-reference_db, 0.0), 0.0)
    return loss


def mono(tracks: float, whole_db: float, low_db: float) -> float:
    """Cost of a fold-down, 0 or more.

    Parameters
    ----------
    tracks : float
        Weighted mean of `track_loss_db` over `FOLD_SCALE_DB`.
    whole_db, low_db : float
        From `formulas.fold_loss_db`.
    """
    return 0.5 * tracks + 0.25 * (whole_db + low_db) / FOLD_SCALE_DB


def missing_lu(loudness: tuple[float, float, float]) -> float:
    """LU by which the reference misses its target at the true-peak ceiling, below 0 with room left.

    Parameters
    ----------
    loudness : (reference LUFS, reference true peak dBTP, target LUFS less ceiling dBTP)
        As in `Scene`.

    Examples
    --------
    >>> missing_lu((-20.0, -4.0, -15.0))
    1.0
    """
    lufs, peak_dbtp, wanted = loudness
    return wanted - (lufs - peak_dbtp)


def loudness(shortfall_lu: float) -> float:
    """Cost of missing loudness: 1 at `SCALE_LU`.

    Examples
    --------
    >>> loudness(1.5)
    0.5
    """
    return max(shortfall_lu, 0.0) / SCALE_LU
