"""Whether one hears each note of the layers that articulate.

Unit: share of the energy that arrives late, beyond what the role forgives, times articulation;
0 (clear) to 1 (all late). A pad (articulation 0) asks for nothing. In dB: `early_late_db`.
Witness: C80 of ISO 3382-1 and the revised theory of Barron and Lee (1988), in the tests.

`formulas.FORGIVEN_DB`: early against late energy that is clear enough for any role. It lies just
above the C80 of -2 to +2 dB that Barron (1993) recommends for whole concert halls, since figures
here are those of single layers; a matter of taste, common practice, no source.
"""

from __future__ import annotations

import numpy as np

from placer.cost.formulas import FORGIVEN_RATIO
from sim.decibel import FloatArray


def definition(early: FloatArray, late: FloatArray, articulation: FloatArray) -> FloatArray:
    """Cost (T,) of late energy for roles that articulate, 0 to `articulation`.

    Parameters
    ----------
    early, late : (T,) FloatArray
        Energies.
    articulation : (T,) FloatArray
        0 (pad) to 1 (percussion).

    Examples
    --------
    >>> float(definition(np.array(2.0), np.array(1.0), np.array(1.0)))
    0.0
    >>> float(definition(np.array(0.0), np.array(1.0), np.array(0.5)))
    0.5
    """
    share = late / np.maximum(early + late, 1e-20)
    forgiven = FORGIVEN_RATIO / (1.0 + FORGIVEN_RATIO)
    cost: FloatArray = articulation * np.maximum((share - forgiven) / (1.0 - forgiven), 0.0)
    return cost
