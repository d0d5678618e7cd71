"""One trial: a whole inner search on the tables, then exact scoring of the best it found.

*Conventions*: costs are lower is better; a trial depends on its material and seed only when it is
bounded by evaluations, never by time.

`Budget`: how long. `PLAN`: rounds of catalogues, each around the last's best. `run_trial`: those
rounds and the exact scores of the best few.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from placer.cost.landscape import CatalogueLandscape
from placer.search.moves import InnerResult, Progress, inner_search
from placer.trial.apart import Found, apart
from placer.trial.catalogues import LateKnown, Placements, TableSearch
from placer.trial.ground import Ground, placements_of, state_of
from placer.trial.scoring import ExactScorer, Scored
from placer.trial.shelf import Shelf


@dataclass(frozen=True, slots=True)
class Stage:
    """One round of a trial.

    Attributes
    ----------
    catalogue : "everywhere", "around" the best so far, at their "exact seats", or the same "again"
    share : of the trial's budget
    parts : how often in it the meeting of lows is worked out anew where the search has got to
    """

    catalogue: str
    share: float
    parts: int = 1

    @property
    def exact(self) -> bool:
        """Whether its seats are exact."""
        return self.catalogue in ("exact seats", "again")


PLAN = (
    Stage("everywhere", 0.17),
    Stage("around", 0.21),
    Stage("exact seats", 0.22, 3),
    Stage("exact seats", 0.2, 3),
    Stage("again", 0.08, 2),
    Stage("again", 0.04, 2),
)
"""Rounds of a trial: over everything, around the best of that, around the best on tables made exact
at their seats; then the last one again. Each round starts from a candidate that is really mixed, so
that limits which hold on the tables hold in the mix."""

ALTERNATES = 0.08
"""Part of the budget for starting once more from each of the other best that differ."""

LEAST_SECONDS = 0.4
"""Least time of a round, s: even where others have taken it all, something must be tried."""

LEAST_STAGES = 3
"""Rounds that a trial has however short its time. Those that come "again" follow as long as no real
mix beats the reference within all limits."""

CENTRES = 6
"""Candidates that the next catalogue is laid around."""

EXACT = 4
"""Candidates of a trial that are searched to the end and scored exactly."""


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


class _Search:
    """The rounds of one trial.

    Attributes
    ----------
    found : candidates of the last round, best first
    tried : exact scores and table costs of the candidates that rounds started from
    evaluations, history : of all rounds; costs of the first are estimates from theory
    ended : whether the budget's stop was seen
    """

    def __init__(
        self,
        tables: TableSearch,
        scorer: ExactScorer,
        *,
        seed: int,
        budget: Budget,
        progress: Callable[[Progress], None] | None,
    ) -> None:
        self._tables, self._scorer, self._progress = tables, scorer, progress
        self._rng = np.random.default_rng(seed)
        self._budget = budget
        self._left = ALTERNATES + sum(stage.share for stage in PLAN)
        self._catalogue = Shelf((), 0)
        self._known: LateKnown = {}
        self.found: list[Found] = []
        self.tried: list[tuple[Scored, float]] = []
        self.evaluations, self.ended = 0, False
        self.history: list[tuple[int, float]] = []

    @property
    def over(self) -> bool:
        """Whether the budget's time is up or its stop has been seen."""
        deadline = self._budget.deadline
        return self.ended or (deadline is not None and time.monotonic() >= deadline)

    @property
    def useful(self) -> bool:
        """Whether a round has started from a real mix that holds all limits and beats the first."""
        first, *others = (scored.cost for scored, _ in self.tried)
        return any(cost.feasible and cost.total < first.total for cost in others)

    def stage(self, stage: Stage) -> None:
        """One round from the best so far."""
        if stage.catalogue != "again":
            self._catalogue = Shelf((), 0)  # two at a time would be the most that a trial holds
        if stage.catalogue == "everywhere":
            self._catalogue = self._tables.everywhere(self._rng)
        elif stage.catalogue != "again":
            centres = [one.placements for one in apart(self.found, CENTRES)]
            self._catalogue = self._tables.around(centres, self._rng, exact=stage.exact)
        begin = self.found[0].placements if self.found else self._scorer.starts
        self.found = self._round(begin, stage)

    def alternates(self) -> None:
        """One short round from each of the other best that differ; what it ends at joins them."""
        best, *others = apart(self.found, EXACT)
        self.found = [best]
        for one in others:
            if not self.over:
                stage = Stage("again", ALTERNATES / len(others))
                self.found.append(self._round(one.placements, stage)[0])

    def _round(self, begin: Placements, stage: Stage) -> list[Found]:
        """Search the present catalogue from one candidate; candidates found, best first."""
        until = self._until(stage.share)
        state = state_of(self._catalogue, begin)
        if stage.catalogue == "exact seats":
            state = self._tables.landscape(self._catalogue).mended(state)
        ground = Ground(
            self._tables,
            self._scorer,
            self._catalogue,
            state,
            known=self._known if stage.exact else None,
        )
        self.tried.append((ground.scored, float(ground.costs(state[None])[0])))
        states = [state]
        for left in range(stage.parts, 0, -1):
            result = self._searched(
                ground.around(state), state, until, share=stage.share / stage.parts, left=left
            )
            state, states = result.best_state, [*states, *(one for one, _ in result.elites)]
            if self.ended:
                break
        unique = np.unique(states, axis=0)
        costs = ground.costs(unique)
        return [
            Found(placements_of(self._catalogue, unique[i]), float(costs[i]))
            for i in np.argsort(costs, kind="stable")
        ]

    def _until(self, share: float) -> float | None:
        """When a round must end: its part of the time that is left."""
        part = share / self._left
        self._left -= share
        if self._budget.deadline is None:
            return None
        now = time.monotonic()
        return now + max(part * (self._budget.deadline - now), LEAST_SECONDS)

    def _searched(
        self,
        landscape: CatalogueLandscape,
        state: np.ndarray,
        until: float | None,
        *,
        share: float,
        left: int,
    ) -> InnerResult:
        """One part of a round, of those that are left."""
        whole, now = self._budget.evaluations, time.monotonic()
        result = inner_search(
            landscape,
            state,
            rng=self._rng,
            deadline=None if until is None else now + max(until - now, LEAST_SECONDS) / left,
            max_evaluations=None if whole is None else max(1, int(share * whole)),
            stop=self._budget.stop,
            on_progress=self._progress,
        )
        self.history += [(self.evaluations + done, cost) for done, cost in result.history]
        self.evaluations += result.evaluations
        self.ended = result.ended == "stop"
        return result


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
        At least one candidate: those that the rounds ended at, and those that they started from.
    """
    search = _Search(tables, scorer, seed=seed, budget=budget, progress=progress)
    for number, stage in enumerate(PLAN):
        late = search.over and number >= LEAST_STAGES
        if search.ended or (late and (search.useful or stage.catalogue != "again")):
            continue
        search.stage(stage)
    search.alternates()
    ends = [(scorer.score(one.placements), one.table_cost) for one in search.found]
    each = {scored.placements: (scored, cost) for scored, cost in [*search.tried, *ends]}
    pairs = sorted(each.values(), key=lambda pair: pair[0].cost.total)
    return Trial(
        scored=tuple(scored for scored, _ in pairs),
        table_costs=tuple(cost for _, cost in pairs),
        evaluations=search.evaluations,
        history=tuple(search.history),
    )
