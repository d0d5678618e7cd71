"""How much of a layer's energy is attack: what rises above what sounded just before.

Where a role articulates, a listener follows its attacks. A cell of such a layer matters by the part
of its energy that is new: more than is left, by forward masking, of the layer's own sound before
it, and of the others' sound before it. Worked out once on the reference, so that no placement can
win by changing what matters.

*Conventions*: energies (..., f) in frames of `STEP_S`, linear, time last; analysis frames F are
longer. Units: dB, s.

`forward_masking_db`: threshold of what follows a masker. `remaining`: what is left of a sound.
`attack_share`: part of each analysis frame's energy that is attack. `attack_factor`: the same as a
factor on importance (`placer.cost.prepare.importance`).

Sources
-------
Jesteadt, Bacon & Lehman (1982), J. Acoust. Soc. Am. 71, 950: forward masking in dB is proportional
to the masker's level and to the logarithm of the delay (abstract read), M = a (b - lg t) L with t
in ms; a and b as a later speech recogniser quotes them (code read, paper not). Other values, from
memory: a = 0.2, b = 2.3 and 20 dB taken from L. Both end near 200 ms.
Limit: modulation masking, which explains what such energies do not, is not in this model
(Westermann & Buchholz 2015, J. Acoust. Soc. Am. 137, 757).
"""

from __future__ import annotations

import numpy as np

from placer.cost.scene import IntArray
from sim.decibel import FloatArray

STEP_S = 0.01
"""Length of a frame in which attacks are looked for, s."""

GROWTH, REACH = 0.351, 2.252
"""a and b of M = a (b - lg t) L; nothing is left after 10^b = 179 ms."""

WORKING_LEVEL_DB = 75.0
"""Level at which forward masking is worked out, dB: loud music (a matter of sense, no source)."""

SUSTAINED = 0.25
"""What a cell without attack matters to a role that only articulates, against one that is all
attack (a matter of taste, no source): a note is followed after it has begun, too."""


def forward_masking_db(level_db: FloatArray, delay: FloatArray) -> FloatArray:
    """By how much a masker raises the threshold of what follows it, dB, 0 or more, elementwise.

    Parameters
    ----------
    level_db : FloatArray
        Of the masker above its own threshold.
    delay : FloatArray
        From its end, s, above 0.

    Examples
    --------
    >>> forward_masking_db(np.array(75.0), np.array([0.01, 0.1, 0.2])).round(1).tolist()
    [33.0, 6.6, 0.0]
    """
    rise = GROWTH * (REACH - np.log10(1000.0 * np.asarray(delay))) * np.asarray(level_db)
    masking: FloatArray = np.maximum(rise, 0.0)
    return masking


def remaining(energy: FloatArray) -> FloatArray:
    """What is left in each frame of the sound before it.

    The greatest of all earlier frames, each lowered by what forward masking has fallen since one
    frame after it; so a steady sound leaves itself.

    Parameters
    ----------
    energy : (..., f) FloatArray
        In frames of `STEP_S`.

    Returns
    -------
    (..., f) FloatArray
        0 in the first frame.
    """
    left: FloatArray = np.zeros_like(energy, dtype=float)
    first = float(forward_masking_db(np.array(WORKING_LEVEL_DB), np.array(STEP_S)))
    for lag in range(1, left.shape[-1]):
        masking = float(forward_masking_db(np.array(WORKING_LEVEL_DB), np.array(lag * STEP_S)))
        if masking <= 0.0:
            break
        kept = 10.0 ** ((masking - first) / 10.0)
        np.maximum(left[..., lag:], kept * energy[..., :-lag], out=left[..., lag:])
    return left


def attack_share(energy: FloatArray, others: FloatArray, frame: IntArray, count: int) -> FloatArray:
    """Part of a layer's energy in each analysis frame that is attack.

    Parameters
    ----------
    energy, others : (..., B, f) FloatArray
        Of the layer, and of everything that masks it, in frames of `STEP_S`.
    frame : (f,) IntArray
        Analysis frame that each short one lies in, from 0 to `count` - 1.
    count : int
        Analysis frames.

    Returns
    -------
    (..., B, count) FloatArray
        0 (held, or hidden by what went before) to 1 (all new); 0 where the layer is silent.
    """
    member = np.eye(count)[frame]
    new = np.maximum(energy - remaining(energy), 0.0)
    heard = new * energy / np.maximum(energy + remaining(others), 1e-30)
    whole = energy @ member
    share: FloatArray = (heard @ member) / np.where(whole > 0.0, whole, 1.0)
    return share


def attack_factor(share: FloatArray, articulation: FloatArray) -> FloatArray:
    """What the attacks of each layer make of its importance.

    Parameters
    ----------
    share : (T, B, F) FloatArray
        From `attack_share`.
    articulation : (T,) FloatArray
        0 (pad: nothing changes) to 1 (percussion).

    Returns
    -------
    (T, B, F) FloatArray
        Factor on importance before it is scaled to sum to 1, `SUSTAINED` to 1.
    """
    held = (1.0 - SUSTAINED) * np.asarray(articulation)[:, None, None]
    factor: FloatArray = 1.0 - held * (1.0 - share)
    return factor
