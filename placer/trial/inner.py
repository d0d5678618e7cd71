"""One trial: a whole inner search on the tables, then exact scoring of the best it found.

*Conventions*: costs are lower is better; a trial depends on its material and seed only when it is
bounded by evaluations, never by time.

`Budget`: how long. `search_tables`: rounds of catalogues, each around the best of the last.
`run_trial`: those rounds and the exact scores of the best few.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from placer.cost.landscape import CatalogueLandscape
from placer.placing.options import Options
from placer.search.moves import InnerResult, Progress, search_rounds
from placer.trial.catalogues import Placements, TableSearch
from placer.trial.scoring import ExactScorer, Scored

ROUNDS = 3
"""Catalogues a trial: one over everything, then around the best, on exact seats."""

CENTRES = 6
"""Candidates that the next catalogue is laid around."""

EXACT = 6
"""Candidates of a trial that are scored exactly."""


@dataclass(frozen=True, slots=True)
class Budget:
    """How long a trial may take.

    Attributes
    ----------
    evaluations : most evaluations of the inner search, or None
    deadline : `time.monotonic` at which the inner search must end, or None
    stop : asked often; true ends the search at once, keeping what it has
    """

    evaluations: int | None
    deadline: float | None = None
    stop: Callable[[], bool] = bool


@dataclass(frozen=True, slots=True)
class Found:
    """A candidate of the inner search."""

    placements: Placements
    table_cost: float


@dataclass(frozen=True, slots=True)
class Trial:
    """What one trial gives.

    Attributes
    ----------
    scored : exact scores, best first
    table_costs : of the same candidates
    evaluations : of the inner search
    history : (evaluations so far, best table cost) of the last round
    """

    scored: tuple[Scored, ...]
    table_costs: tuple[float, ...]
    evaluations: int
    history: tuple[tuple[int, float], ...]


def search_tables(
    tables: TableSearch,
    *,
    seed: int,
    budget: Budget,
    progress: Callable[[Progress], None] | None = None,
) -> tuple[list[Found], int, tuple[tuple[int, float], ...]]:
    """Search in rounds: a catalogue over everything, then catalogues around the best.

    Parameters
    ----------
    tables : TableSearch
    seed : int
    budget : Budget
    progress : callable, optional
        Told of the best so far a few times a second.

    Returns
    -------
    candidates : list of Found
        Of the last round, best first.
    evaluations : int
    history : tuple of (evaluations, cost)
        Of all rounds; costs of the first are estimates from theory.
    """
    rng = np.random.default_rng(seed)
    catalogues: list[list[Options]] = [tables.everywhere(rng)]

    def refine(
        _landscape: CatalogueLandscape, result: InnerResult, _round: int
    ) -> tuple[CatalogueLandscape, np.ndarray]:
        centres = [_placements(catalogues[-1], state) for state, _ in result.elites[:CENTRES]]
        catalogues.append(tables.around(centres, rng))
        return tables.landscape(catalogues[-1]), _state(catalogues[-1], centres[0])

    rounds = search_rounds(
        tables.landscape(catalogues[0]),
        np.zeros(len(catalogues[0]), dtype=np.int64),
        refine=refine,  # type: ignore[arg-type]
        rounds=ROUNDS,
        rng=rng,
        deadline=budget.deadline,
        max_evaluations=budget.evaluations,
        stop=budget.stop,
        on_progress=progress,
    )
    last = rounds[-1][1]
    found = [
        Found(_placements(catalogues[len(rounds) - 1], state), cost) for state, cost in last.elites
    ]
    history, before = [], 0
    for _, result in rounds:
        history += [(before + done, cost) for done, cost in result.history]
        before += result.evaluations
    return found, before, tuple(history)


def _placements(catalogue: list[Options], state: np.ndarray) -> Placements:
    return tuple(o.placements[int(k)] for o, k in zip(catalogue, state, strict=True))


def _state(catalogue: list[Options], placements: Placements) -> np.ndarray:
    """Option numbers of placements; the reference where a catalogue does not hold one."""
    return np.array(
        [
            options.placements.index(placement) if placement in options.placements else 0
            for options, placement in zip(catalogue, placements, strict=True)
        ]
    )


def run_trial(
    tables: TableSearch,
    scorer: ExactScorer,
    *,
    seed: int,
    budget: Budget,
    progress: Callable[[Progress], None] | None = None,
) -> Trial:
    """One inner search and the exact scores of the best it found.

    Parameters
    ----------
    tables : TableSearch
    scorer : ExactScorer
        Of the same material.
    seed : int
    budget : Budget
    progress : callable, optional
        Told of the best so far a few times a second.

    Returns
    -------
    Trial
        At least one candidate.
    """
    found, evaluations, history = search_tables(tables, seed=seed, budget=budget, progress=progress)
    pairs = [(scorer.score(one.placements), one.table_cost) for one in found[:EXACT]]
    pairs.sort(key=lambda pair: pair[0].cost.total)
    return Trial(
        scored=tuple(scored for scored, _ in pairs),
        table_costs=tuple(cost for _, cost in pairs),
        evaluations=evaluations,
        history=history,
    )
