"""Whether the mix leans to one side, as a whole or in its lows.

Unit: squared dB of left against right beyond what the reference leans, over
`formulas.LEAN_SCALE_DB`; the mean of the whole (loudness-weighted) and of the lows (25-250 Hz).
Positive dB is louder on the right. Witness: closed forms.

`balance`: the cost.
"""

from __future__ import annotations

from placer.cost import formulas


def balance(whole_db: float, low_db: float, *, reference: tuple[float, float]) -> float:
    """Cost of leaning.

    Parameters
    ----------
    whole_db, low_db : float
        From `formulas.lean_db`.
    reference : (whole, low) float
        The same of the reference mix.

    Returns
    -------
    float
        0 or more.
    """
    pairs = zip((whole_db, low_db), reference, strict=True)
    return 0.5 * sum(float(formulas.lean_cost(now, then)) for now, then in pairs)
