"""One trial: a whole inner search on the tables, then exact scoring of the best it found.

*Conventions*: costs are lower is better; a trial depends on its material and seed only when it is
bounded by evaluations, never by time.

`Budget`: how long. `search_tables`: rounds of catalogues (`PLAN`), each around the last's best.
`run_trial`: those rounds and the exact scores of the best few.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from placer.cost.landscape import CatalogueLandscape
from placer.cost.objective import mix_row
from placer.placing.options import Options
from placer.search.moves import Progress, inner_search
from placer.trial.catalogues import Placements, TableSearch
from placer.trial.scoring import ExactScorer, Scored

PLAN = (
    ("everywhere", 0.18),
    ("around", 0.22),
    ("exact seats", 0.27),
    ("exact seats", 0.2),
    ("again", 0.08),
    ("again", 0.05),
)
"""Catalogues of a trial and their parts of its budget: over everything, around the best of that,
around the best on tables made exact at their seats; then the last one again, each time corrected
by what the tables miss of the best so far, so that limits which hold there hold in the real mix."""

CENTRES = 6
"""Candidates that the next catalogue is laid around."""

EXACT = 4
"""Candidates of a trial that are scored exactly."""

APART = 0.3
"""Part of the tracks in which two of them differ."""


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
    scorer: ExactScorer,
    *,
    seed: int,
    budget: Budget,
    progress: Callable[[Progress], None] | None = None,
) -> tuple[list[Found], int, tuple[tuple[int, float], ...]]:
    """Search in rounds: a catalogue over everything, then catalogues around the best.

    Parameters
    ----------
    tables : TableSearch
    scorer : ExactScorer
        Tells before each round what the tables miss of the best so far.
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
    clock = _Clock(budget)
    found: list[Found] = []
    catalogue: list[Options] = []
    evaluations, history = 0, []
    for number, (kind, _) in enumerate(PLAN):
        best = found[0].placements if found else scorer.starts
        if kind != "again":
            catalogue = _catalogue(tables, kind, found, rng)
        start = _state(catalogue, best)
        result = inner_search(
            _landscape(tables, scorer, catalogue, start),
            start,
            rng=rng,
            deadline=clock.deadline(number),
            max_evaluations=clock.evaluations(number),
            stop=budget.stop,
            on_progress=progress,
        )
        found = [Found(_placements(catalogue, state), cost) for state, cost in result.elites]
        history += [(evaluations + done, cost) for done, cost in result.history]
        evaluations += result.evaluations
        if result.ended == "stop":
            break
    return found, evaluations, tuple(history)


def _landscape(
    tables: TableSearch, scorer: ExactScorer, catalogue: list[Options], state: np.ndarray
) -> CatalogueLandscape:
    """Costs over a catalogue, right for the whole mix at the state that a round starts from."""
    landscape = tables.landscape(catalogue)
    row = mix_row(scorer.scene, scorer.score(_placements(catalogue, state)).sounding)
    return landscape.shifted(tables.missed(landscape, state, row, scorer.scene))


class _Clock:
    """Shares a budget among the rounds that are left."""

    def __init__(self, budget: Budget) -> None:
        self._budget = budget

    def evaluations(self, number: int) -> int | None:
        """Evaluations of a round."""
        whole = self._budget.evaluations
        return None if whole is None else max(1, int(PLAN[number][1] * whole))

    def deadline(self, number: int) -> float | None:
        """When a round must end: its part of the time that is left."""
        if self._budget.deadline is None:
            return None
        now = time.monotonic()
        part = PLAN[number][1] / sum(share for _, share in PLAN[number:])
        return now + part * max(0.0, self._budget.deadline - now)


def _catalogue(
    tables: TableSearch, kind: str, found: Sequence[Found], rng: np.random.Generator
) -> list[Options]:
    if kind == "everywhere":
        return tables.everywhere(rng)
    centres = [one.placements for one in apart(found, CENTRES)]
    return tables.around(centres, rng, exact=kind == "exact seats")


def apart(found: Sequence[Found], count: int) -> list[Found]:
    """The best candidates that differ from one another in `APART` of their tracks.

    Parameters
    ----------
    found : sequence of Found
        Best first.
    count : int
        Wanted; fewer where no more differ.

    Returns
    -------
    list of Found
        The best first.
    """
    chosen: list[Found] = []
    for one in found:
        far = all(
            sum(a != b for a, b in zip(one.placements, other.placements, strict=True))
            >= APART * len(one.placements)
            for other in chosen
        )
        if far and len(chosen) < count:
            chosen.append(one)
    return chosen


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
    found, evaluations, history = search_tables(
        tables, scorer, seed=seed, budget=budget, progress=progress
    )
    pairs = [(scorer.score(one.placements), one.table_cost) for one in apart(found, EXACT)]
    pairs.sort(key=lambda pair: pair[0].cost.total)
    return Trial(
        scored=tuple(scored for scored, _ in pairs),
        table_costs=tuple(cost for _, cost in pairs),
        evaluations=evaluations,
        history=history,
    )
