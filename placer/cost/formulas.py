"""Every formula of the cost that both of its levels need, once.

*Conventions*: elementwise on arrays (the plain level, any frames) and, compiled, on numbers (the
fast level). The first group works in the precision of its arguments, for loops in single precision;
its constants are of single precision. The second group is in double precision. Covariances are
tuples LL, RR, Re, Im.

`blur`, `binaural_gain`, `cell_audibility`: how much of one cell is heard, in any precision.
`margin_db`, `background_loss`: what a layer in the background loses. `likeness`, `crowded`:
overlap. `decibel`, `change_db`, `lean_db`, `lean_cost`, `fold_db`, `fold_loss_db`, `third_cost`,
`shortfall_lu`, `beyond`: the whole mix.

Sources: see the modules that name each term (`audibility`, `binaural`, `overlap`, `low_weight`,
`mix_terms`).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from placer.cost.compiled import F32, LEAST, NONE, ONE, formula, larger, smaller

SILENT_EAR = 1e-4
"""Share of a masker's energy that the quieter ear has at least (40 dB between the ears)."""

PHASELESS = 0.05
"""Coherence of a masker below which it has no phase to cancel by: over an excerpt of some seconds,
chance alone makes as much."""

FORGIVEN_DB = 3.0
"""Early against late energy from which more is no clearer, dB."""

FORGIVEN_RATIO = 10.0 ** (-FORGIVEN_DB / 10.0)
"""The same as late over early energy."""

CEILING = 0.01
"""Least noise a band can have, relative to the signal (-20 dB)."""

SIDE_STEP_DEG = 15.0
"""A clear step to the side (9 dB between the channels by the tangent law), degrees."""

DEPTH_STEP_DB = 3.0
"""A clear step in depth, dB of direct against all other energy."""

BACKGROUND_SCALE_DB = 1.0
"""Margin lost beyond what is free that costs 1 if the whole background loses it, dB.

A share rises by at most ln(10)/40 = .058 a dB of margin, so a dB for the whole foreground is worth
at most .058. One layer of a background of up to 17 alike then pays as much for a dB of its own: no
layer is given up for a gain elsewhere. A larger background has layers that hide less each."""

LEAN_SCALE_DB = 3.0
"""Leaning further than the reference by this costs 1, dB."""

FOLD_FLOOR = 1e-4
"""Share of the energy below which a fold-down cannot fall (-40 dB)."""

FOLD_FREE_DB = 0.5
"""Change of the whole mix's fold-down that costs nothing, dB."""

LOW_FREE_DB = 0.5
"""Change of a low third that costs nothing, dB."""

LOW_SCALE_DB = 1.0
"""Change of a low third beyond `LOW_FREE_DB` that costs 1, dB."""

TINY = 1e-20
"""Energy relative to the reference that counts as silence."""

_SILENT, _VAGUE, _FORGIVEN = F32(SILENT_EAR), F32(PHASELESS**2), F32(FORGIVEN_RATIO)
_WHOLE, _TWO = F32(1.0 + CEILING), F32(2.0)


@formula
def blur(early: Any, late: Any, articulation: Any) -> Any:
    """How much of its own late energy masks a track: articulation, less what is forgiven."""
    return articulation * larger(ONE - _FORGIVEN * early / (late + LEAST), NONE)


@formula
def binaural_gain(signal: Any, masker: Any, limit: Any) -> Any:
    """Energy gain of two ears over the better one, 1 or more (`placer.cost.binaural`).

    Signal and masker may each have any scale that keeps their products far above 1e-30.
    """
    tl, tr, t_re, t_im = signal
    ml, mr, m_re, m_im = masker
    both = _SILENT * (ml + mr)
    ml, mr = ml + both, mr + both
    between = np.sqrt(abs(ml * mr) + LEAST)
    square = m_re * m_re + m_im * m_im
    size = np.sqrt(square)
    steady = (ONE + _VAGUE) * size * between / (square + _VAGUE * between * between)
    one, other = tl * mr, tr * ml
    left = limit * (one + other) - _TWO * (t_re * m_re + t_im * m_im) * steady
    rest = _TWO * (limit - smaller(size / between, ONE)) * larger(one, other)
    return larger(left / (rest + LEAST), ONE)


@formula
def cell_audibility(signal: Any, noise: Any) -> Any:
    """Audible share of a cell over its signal: 1 / (1.01 S + k N), from S and k N."""
    return ONE / larger(_WHOLE * signal + noise, LEAST)


@formula
def decibel(energy: Any) -> Any:
    """10 log10 of an energy, never below -200 dB."""
    return 10.0 * np.log10(larger(energy, 1e-20))


@formula
def margin_db(share: Any) -> Any:
    """Level above masked threshold of a steady cell with that audible share, dB, at most 20."""
    noise = 1.0 / larger(share, 1e-6) - 1.0 - CEILING
    return -decibel(larger(noise, CEILING))


@formula
def background_loss(margin: Any, before: Any, free_db: float) -> Any:
    """Cost of a margin (dB) that lies more than what is free under what it was before."""
    return larger(before - margin - free_db, 0.0) / BACKGROUND_SCALE_DB


@formula
def likeness(steps: Any) -> Any:
    """How alike two places are, 1 to 0, from their distance in clear steps."""
    alike = larger(1.0 - steps * steps, 0.0)
    return alike * alike


@formula
def crowded(common: Any) -> Any:
    """Cost of sharing so much with others in one's place: 0 (alone) towards 1."""
    return common / (1.0 + common)


@formula
def change_db(now: Any, then: Any, floor: Any) -> Any:
    """Level of an energy against another, dB; near 0 where both lie under the floor."""
    return decibel((now + floor) / (then + floor))


@formula
def lean_db(left: Any, right: Any) -> Any:
    """Right against left, dB, held to +-40 where one side is silent.

    Examples
    --------
    >>> lean_db(np.array([1.0, 1.0, 1.0]), np.array([1.0, 2.0, 0.0])).round(2).tolist()
    [0.0, 3.01, -40.0]
    """
    floor = 1e-12 * (left + right) + 1e-30
    return smaller(larger(change_db(right, left, floor), -40.0), 40.0)


@formula
def lean_cost(now_db: Any, then_db: Any) -> Any:
    """Cost of leaning further than before to either side."""
    further = larger(abs(now_db) - abs(then_db), 0.0) / LEAN_SCALE_DB
    return further * further


@formula
def fold_db(folded: Any, power: Any) -> Any:
    """Energy of a fold-down L + R against that of L and R apart, dB."""
    return decibel((folded + FOLD_FLOOR * power + TINY) / (power + TINY))


@formula
def fold_loss_db(now_db: Any, then_db: Any) -> Any:
    """What the fold-down of the whole loses against before, beyond what is free, dB."""
    return larger(then_db - now_db - FOLD_FREE_DB, 0.0)


@formula
def third_cost(change: Any) -> Any:
    """Cost of a low third that has changed by so many dB."""
    further = larger(abs(change) - LOW_FREE_DB, 0.0) / LOW_SCALE_DB
    return further * further


@formula
def shortfall_lu(missing_lu: Any, ratio: Any) -> Any:
    """LU that the loudness target is missed by: at the reference, less what energy has grown."""
    return larger(missing_lu - decibel(ratio), 0.0)


@formula
def beyond(value: Any, limit: Any) -> Any:
    """How far a value exceeds a limit, 0 where it does not."""
    return larger(value - limit, 0.0)
