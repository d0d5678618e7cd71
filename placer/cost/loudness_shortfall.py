"""Whether the mix reaches its loudness.

Unit: LU short of the target at the true-peak ceiling, over `SCALE_LU`. Before a mix is rendered its
loudness is that of the reference with the change of its K-weighted energy, its peak that of the
reference. Witness: closed forms.

`missing_lu`: what the reference is short of.
`loudness`: the cost.
"""

from __future__ import annotations

SCALE_LU = 3.0
"""Missing loudness that costs 1, LU."""


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
