"""Table costs tied to a candidate that was really mixed.

What tables cannot know of a mix is measured on one candidate and added to all: late energy that the
passage makes of each seat, the real sum of all tracks, and on exact seats how each option's lows
meet the rest. The last is right to first order, so it is worked out anew wherever the search has
got to (`Ground.around`); that needs no convolution.

*Conventions*: states are option numbers (track,) over one catalogue.

`Ground`: made at the state where a round of search starts.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from placer.cost.landscape import CatalogueLandscape
from placer.cost.objective import mix_row
from placer.placing.options import Options
from placer.trial.catalogues import LateKnown, Placements, TableSearch
from placer.trial.scoring import ExactScorer, Scored
from sim.decibel import FloatArray


class Ground:
    """Costs over a catalogue, right at one state.

    Parameters
    ----------
    tables : TableSearch
    scorer : ExactScorer
        Of the same material.
    catalogue : sequence of Options
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
        catalogue: Sequence[Options],
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
        self._missed = missed - _shared(self._met(state), state) if self._exact else missed

    def _met(self, state: np.ndarray) -> list[FloatArray]:
        return self._tables.met(self._catalogue, state)

    def around(self, state: np.ndarray) -> CatalogueLandscape:
        """Costs that are right at the ground's own state, and nearly so around another one."""
        if not self._exact:
            return self._plain.shifted(self._missed)
        met = self._met(state)
        return self._plain.met(met).shifted(self._missed - _shared(met, state))


def _shared(met: Sequence[FloatArray], state: np.ndarray) -> FloatArray:
    """What meeting adds to a state's mix, (20,): each pair of tracks counts once, not twice."""
    both: FloatArray = np.sum([rows[k] for rows, k in zip(met, state, strict=True)], axis=0)
    return 0.5 * both


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
