"""Table costs tied to a candidate that was really mixed.

What tables cannot know of a mix is measured on one candidate and added to all: late energy that the
passage makes of each seat, the real sum of all tracks, and on exact seats how the lows of tracks
meet. Where moves are tried one by one this is taken to first order, worked out anew wherever the
search has got to (`Ground.around`); where whole states are compared, in full (`Ground.costs`).
Neither needs a convolution.

*Conventions*: states are option numbers (track,) over one catalogue.

`Ground`: made at the state where a round of search starts.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from placer.cost.landscape import CatalogueLandscape
from placer.cost.objective import mix_row
from placer.cost.whole import COLUMNS
from placer.placing.options import Options
from placer.trial.catalogues import LateKnown, Placements, TableSearch
from placer.trial.scoring import ExactScorer, Scored
from placer.trial.shelf import Shelf
from sim.decibel import FloatArray


class Ground:
    """Costs over a catalogue, right at one state.

    Parameters
    ----------
    tables : TableSearch
    scorer : ExactScorer
        Of the same material.
    catalogue : Shelf
    state : (track,) int ndarray
        Scored by real convolution.
    known : dict, optional
        Given for a catalogue on exact seats: late energies measured so far (`TableSearch.trued`).

    Attributes
    ----------
    scored : the state's exact score
    """

    def __init__(
        self,
        tables: TableSearch,
        scorer: ExactScorer,
        catalogue: Shelf,
        state: np.ndarray,
        *,
        known: LateKnown | None = None,
    ) -> None:
        self._tables, self._catalogue, self._exact = tables, catalogue, known is not None
        self.scored: Scored = scorer.score(placements_of(catalogue, state))
        sounding = self.scored.sounding
        if known is not None:
            catalogue = tables.trued(catalogue, state, sounding, exact=scorer.scene, known=known)
        self._plain = tables.landscape(catalogue)
        row = mix_row(scorer.scene, sounding)
        missed = tables.missed(self._plain, state, row, scorer.scene)
        self._missed: FloatArray = missed - self._between(state[None])[0]

    def _between(self, states: np.ndarray) -> FloatArray:
        """What the tables know of the mixes of states beside their tracks, (n, 20)."""
        if not self._exact:
            return np.zeros((len(states), len(COLUMNS)))
        return self._tables.between(self._catalogue, states)

    def around(self, state: np.ndarray) -> CatalogueLandscape:
        """Costs that are right at the ground's own state, and nearly so around another one."""
        if not self._exact:
            return self._plain.shifted(self._missed)
        met = self._tables.met(self._catalogue, state)
        # each option brings what it shares with every other track: at the state itself, all twice
        twice = np.sum([rows[k] for rows, k in zip(met, state, strict=True)], axis=0)
        shared = self._between(state[None])[0]
        return self._plain.met(met).shifted(self._missed + shared - twice)

    def costs(self, states: np.ndarray) -> FloatArray:
        """Costs (n,) of states (n, track), the lows of each as its own tracks meet."""
        return self._plain.costs(states, self._missed + self._between(states))


def placements_of(catalogue: Sequence[Options], state: np.ndarray) -> Placements:
    """The placements that a state stands for."""
    return tuple(o.placements[int(k)] for o, k in zip(catalogue, state, strict=True))


def state_of(catalogue: Sequence[Options], placements: Placements) -> np.ndarray:
    """Option numbers of placements; the reference where a catalogue does not hold one."""
    return np.array(
        [
            options.placements.index(placement) if placement in options.placements else 0
            for options, placement in zip(catalogue, placements, strict=True)
        ]
    )
