"""Which moves gained most, which track is still hidden, and by whom.

*Conventions*: tracks are named by their number in the scene; shares are of a track's audibility.

`put_back`: a sounding with one track as it is in another. `gains_of_moves`: what each track's move
gains. `hiders`: who hides a track. `most_hidden`: tracks from the least audible on.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from placer.cost.audibility import Audibility
from placer.cost.scene import IntArray, Sounding, Totals
from sim.decibel import FloatArray


def put_back(sounding: Sounding, start: Sounding, track: int) -> Sounding:
    """The sounding with one track as it is in `start`; the real sum, if known, is left out."""

    def _swapped(new: FloatArray, old: FloatArray) -> FloatArray:
        mixed = np.array(new)
        mixed[track] = old[track]
        return mixed

    totals, then = sounding.totals, start.totals
    return replace(
        sounding,
        early=_swapped(sounding.early, start.early),
        late=_swapped(sounding.late, start.late),
        totals=Totals(
            early=_swapped(totals.early, then.early),
            late=_swapped(totals.late, then.late),
            thirds=_swapped(totals.thirds, then.thirds),
        ),
        seating=_swapped(sounding.seating, start.seating),
        mix=None,
        mix_thirds=None,
    )


def gains_of_moves(
    costs: Callable[[IntArray], FloatArray], state: IntArray, start: IntArray
) -> FloatArray:
    """What each track's move gains: the cost with that track put back, less the cost.

    Parameters
    ----------
    costs : callable
        States (N, T) to costs (N,), such as `CatalogueLandscape.costs`.
    state, start : (T,) IntArray
        Options of the mix, and of the reference.

    Returns
    -------
    (T,) FloatArray
        Above zero where the move helps; 0 for a track that has not moved.
    """
    count = len(state)
    states = np.repeat(np.asarray(state)[None], count + 1, axis=0)
    states[np.arange(count), np.arange(count)] = start
    found = costs(states)
    gains: FloatArray = found[:count] - found[count]
    return gains


def hiders(heard: Audibility, track: int, count: int = 3) -> list[tuple[int, float]]:
    """The tracks that hide one most, with the share of it that each hides.

    The track's own number stands for its late energy that blurs.
    """
    row = heard.hides[track]
    order = np.argsort(-row, kind="stable")[:count]
    return [(int(other), float(row[other])) for other in order if row[other] > 0.0]


def most_hidden(heard: Audibility) -> IntArray:
    """Track numbers from the least audible to the most, (T,)."""
    order: IntArray = np.argsort(heard.share, kind="stable")
    return order
