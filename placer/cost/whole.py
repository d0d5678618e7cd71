"""What the whole mix measures: level, side, lows, fold-down, room.

*Conventions*: all figures are sums over tracks of covariances, so a candidate's are the sum of one
row a track (25 numbers, in the order of `COLUMNS`); that is what makes the fast level fast. Tracks
add in energy.

`rows`: Totals -> (T, 25). `Whole`: named figures of a sum of rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from placer.audio.k_weighting import k_weighting_response
from placer.cost import formulas
from placer.cost.formulas import TINY
from placer.cost.scene import Totals
from sim.decibel import FloatArray

LATE_RANGES = ((0.0, np.inf), (355.0, 1410.0), (1410.0, 5680.0))
"""Where late energy is held, Hz: as a whole, which is nearly all lows; in the octaves at 500 and
1000 Hz, where ISO 3382-1 looks for the room (from memory); and in the two above them."""

LATE = len(LATE_RANGES)
COLUMNS = (
    *["late"] * LATE, "left", "right", "fold", "low_left", "low_right", "low_fold",
    *["third"] * 11, "drr", "file_left", "file_right", "file_low_left", "file_low_right",
)  # fmt: skip
"""Late energy in each of `LATE_RANGES`; K-weighted left, right and fold-down L + R; the same of the
lows; low thirds; change of direct against all other energy, dB times the track's weight; left and
right again as in the whole file (`Scene.elsewhere`)."""

FIRST_THIRD, DRR, FILE = LATE + 6, LATE + 17, LATE + 18

LATE_FLOOR = 1e-3
"""Share of the reference's late energy below which a range has no room to hold (-30 dB)."""


@dataclass(frozen=True, slots=True)
class Whole:
    """Figures of a whole mix.

    Attributes
    ----------
    late : (3,) energies of the late sound in `LATE_RANGES`
    loud : K-weighted energy
    lean_db, low_lean_db : right against left
    mono_gain_db, low_mono_gain_db : L + R against L and R apart
    thirds : (11,) energies of the 25-250 Hz thirds
    drr_change_db : weighted mean change of direct against all other energy
    file_lean_db, file_low_lean_db : right against left over the whole file
    """

    late: FloatArray
    loud: float
    lean_db: float
    low_lean_db: float
    mono_gain_db: float
    low_mono_gain_db: float
    thirds: FloatArray
    drr_change_db: float
    file_lean_db: float
    file_low_lean_db: float


def columns(covariance: FloatArray, thirds: FloatArray, k_weight: FloatArray) -> FloatArray:
    """Left to the last third, from (..., 4, B) and (..., 4, 11) to (..., 17)."""
    whole = covariance @ k_weight
    low = thirds.sum(-1)
    parts = []
    for pair in (whole, low):
        left, right, cross = pair[..., 0], pair[..., 1], pair[..., 2]
        parts += [left, right, np.maximum(left + right + 2.0 * cross, 0.0)]
    return np.concatenate([np.stack(parts, -1), thirds[..., 0, :] + thirds[..., 1, :]], -1)


def rows(
    totals: Totals, drr_change_db: FloatArray, centres: FloatArray, elsewhere: FloatArray
) -> FloatArray:
    """One row of summable figures a track.

    Parameters
    ----------
    drr_change_db : (T,) FloatArray
        Change of each track's direct against all other energy, times its part in all weight.
    centres : (B,) FloatArray
        Hz.
    elsewhere : (T, 2) or (2,) FloatArray
        As `Scene.elsewhere`.

    Returns
    -------
    (T, 25) FloatArray
        In the order of `COLUMNS`.
    """
    inside = [(low <= centres) & (centres < high) for low, high in LATE_RANGES]
    room = totals.late[:, :2].sum(1) @ np.stack(inside, -1).astype(float)
    rest = columns(totals.early + totals.late, totals.thirds, k_weighting_response(centres))
    sides = rest[:, [0, 1, 3, 4]] * np.repeat(elsewhere, 2, axis=-1)
    return np.concatenate([room, rest, drr_change_db[:, None], sides], -1)


def whole(row: FloatArray) -> Whole:
    """Figures of the sum of rows (25,)."""
    left, right, fold, low_left, low_right, low_fold = (float(x) for x in row[LATE:FIRST_THIRD])
    return Whole(
        late=row[:LATE],
        loud=left + right,
        lean_db=float(formulas.lean_db(left, right)),
        low_lean_db=float(formulas.lean_db(low_left, low_right)),
        mono_gain_db=float(formulas.fold_db(fold, left + right)),
        low_mono_gain_db=float(formulas.fold_db(low_fold, low_left + low_right)),
        thirds=row[FIRST_THIRD:DRR],
        drr_change_db=float(row[DRR]),
        file_lean_db=float(formulas.lean_db(row[FILE], row[FILE + 1])),
        file_low_lean_db=float(formulas.lean_db(row[FILE + 2], row[FILE + 3])),
    )


def late_change_db(now: Whole, then: Whole) -> FloatArray:
    """Late energy in each of `LATE_RANGES` against the reference, dB, (3,)."""
    change: FloatArray = formulas.change_db(now.late, then.late, LATE_FLOOR * then.late[0] + TINY)
    return change
