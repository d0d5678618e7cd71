"""What the whole mix measures: level, side, lows, fold-down, room.

*Conventions*: all figures are sums over tracks of covariances, so a candidate's are the sum of one
row a track (20 numbers, in the order of `COLUMNS`); that is what makes the table level fast.

`rows`: Totals -> (T, 20). `meeting_rows`: what meeting in phase adds. `Whole`: named figures of a
sum of rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from placer.cost.balance import lean_db
from placer.cost.loudness import k_weighting
from placer.cost.place import TINY
from sim.bands import LOW_THIRDS
from sim.decibel import FloatArray, energy_db

LATE_RANGES = ((0.0, np.inf), (355.0, 1410.0), (1410.0, 5680.0))
"""Where late energy is held, Hz: as a whole, which is nearly all lows; in the octaves at 500 and
1000 Hz, where ISO 3382-1 looks for the room (from memory); and in the two above them."""

LATE = len(LATE_RANGES)
COLUMNS = (
    *["late"] * LATE, "left", "right", "fold", "low_left", "low_right", "low_fold",
    *["third"] * 11,
)  # fmt: skip
"""Late energy in each of `LATE_RANGES`; K-weighted left, right and fold-down L + R; the same of the
lows; low thirds."""

LATE_FLOOR = 1e-3
"""Share of the reference's late energy below which a range has no room to hold (-30 dB)."""

FOLD_FLOOR = 1e-4
"""Share of the energy below which a fold-down cannot fall (-40 dB)."""


@dataclass(frozen=True, slots=True)
class Whole:
    """Figures of a whole mix.

    Attributes
    ----------
    late : (3,) energies of the late sound in `LATE_RANGES`
    lean_db, low_lean_db : right against left
    mono_gain_db, low_mono_gain_db : L + R against L and R apart
    thirds : (11,) energies of the 25-250 Hz thirds
    """

    late: FloatArray
    lean_db: float
    low_lean_db: float
    mono_gain_db: float
    low_mono_gain_db: float
    thirds: FloatArray


def columns(covariance: FloatArray, thirds: FloatArray, k_weight: FloatArray) -> FloatArray:
    """Everything but the late energies, from (..., 4, B) and (..., 4, 11) to (..., 17)."""
    whole = covariance @ k_weight
    low = thirds.sum(-1)
    parts = []
    for pair in (whole, low):
        left, right, cross = pair[..., 0], pair[..., 1], pair[..., 2]
        parts += [left, right, np.maximum(left + right + 2.0 * cross, 0.0)]
    return np.concatenate([np.stack(parts, -1), thirds[..., 0, :] + thirds[..., 1, :]], -1)


def rows(
    early: FloatArray, late: FloatArray, thirds: FloatArray, centres: FloatArray
) -> FloatArray:
    """One row of summable figures a track.

    Parameters
    ----------
    early, late : (T, 4, B) FloatArray
        Plain covariances.
    thirds : (T, 4, 11) FloatArray
    centres : (B,) FloatArray
        Hz.

    Returns
    -------
    (T, 20) FloatArray
        In the order of `COLUMNS`.
    """
    inside = [(low <= centres) & (centres < high) for low, high in LATE_RANGES]
    room = late[:, :2].sum(1) @ np.stack(inside, -1).astype(float)
    rest = columns(early + late, thirds, k_weighting(centres))
    return np.concatenate([room, rest], -1)


def meeting_rows(thirds: FloatArray) -> FloatArray:
    """Rows (n, 20) that changes of a mix's low covariances (n, 4, 11) make of `rows`' columns.

    The K-weighted columns take the thirds at their centres; late energy does not change.
    """
    parts = [np.zeros(len(thirds))] * LATE
    for pair in (thirds @ k_weighting(LOW_THIRDS), thirds.sum(-1)):
        left, right, cross = pair[:, 0], pair[:, 1], pair[:, 2]
        parts += [left, right, left + right + 2.0 * cross]
    return np.concatenate([np.stack(parts, -1), thirds[:, 0] + thirds[:, 1]], -1)


def whole(row: FloatArray) -> Whole:
    """Figures of the sum of rows (20,)."""
    left, right, fold, low_left, low_right, low_fold = (float(x) for x in row[LATE:-11])

    def _gain(folded: float, power: float) -> float:
        return float(energy_db((folded + FOLD_FLOOR * power + TINY) / (power + TINY)))

    return Whole(
        late=row[:LATE],
        lean_db=float(lean_db(row[LATE], row[LATE + 1])),
        low_lean_db=float(lean_db(row[LATE + 3], row[LATE + 4])),
        mono_gain_db=_gain(fold, left + right),
        low_mono_gain_db=_gain(low_fold, low_left + low_right),
        thirds=row[-11:],
    )


def late_change_db(now: Whole, then: Whole) -> FloatArray:
    """Late energy in each of `LATE_RANGES` against the reference, dB, (3,)."""
    floor = LATE_FLOOR * then.late[0] + TINY
    change: FloatArray = energy_db((now.late + floor) / (then.late + floor))
    return change
