"""What the fold-down to mono loses.

Unit: dB of the energy of L + R against L and R apart. Of a track, only what cancels counts (a
decorrelated or one-sided track is the zero, as panning law has it); of the whole and of its lows,
everything against the reference counts. Beyond the reference, over `SCALE_DB`.
Witness: closed forms: +3.01 dB for a centred track, 0 for a decorrelated or one-sided one (that
is +6.02 and +3.01 against one channel), all lost in antiphase.

`track_loss_db`: beyond the reference; of the whole, `formulas.fold_loss_db`. `mono`: the cost.
"""

from __future__ import annotations

import numpy as np

from sim.decibel import FloatArray

SCALE_DB = 3.0
"""Loss beyond the reference that costs 1, dB."""


def track_loss_db(gain_db: FloatArray, reference_db: FloatArray) -> FloatArray:
    """What tracks lose by cancelling, beyond what they lose in the reference, dB (T,)."""
    loss: FloatArray = np.maximum(np.maximum(-gain_db, 0.0) - np.maximum(-reference_db, 0.0), 0.0)
    return loss


def mono(tracks: float, whole_db: float, low_db: float) -> float:
    """Cost of a fold-down.

    Parameters
    ----------
    tracks : float
        Weighted mean of `track_loss_db` over `SCALE_DB`.
    whole_db, low_db : float
        From `formulas.fold_loss_db`.

    Returns
    -------
    float
        0 or more.
    """
    return 0.5 * tracks + 0.25 * (whole_db + low_db) / SCALE_DB
