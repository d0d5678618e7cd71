"""How far tables and real convolution agree in their order of placements.

    python -m tests.sampled.agreement CUE.toml [SECONDS] [PLACEMENTS]

Two populations, both about a good placement that a short search has found: placements at random
(any option of a catalogue on exact seats for every track), and placements among which a search
decides (options of its best states, mixed anew). The rank correlation is given over each, and over
the best tenth of either.
"""

from __future__ import annotations

import dataclasses
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import spearmanr

from placer.cue.read import read_cue
from placer.placing.options import Options
from placer.progress import Quiet
from placer.search.moves import inner_search
from placer.trial.ground import Ground, placements_of
from placer.trial.judge import Judge
from placer.trial.ready import make_ready, survey_cue

EVALUATIONS = 5000
"""Of each of the three short searches, a track."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """Rank correlations of costs on the tables with exact ones, and shares.

    Attributes
    ----------
    random, random_tenth : over placements at random, and over the exactly best tenth of them
    mixed : over options of good placements mixed anew
    best_tenth : over the exactly best tenth of those, which lie as near as a search brings them
    spread, error : standard deviation there, of exact costs and of what tables differ by from them
    feasible : share of them that hold every limit
    """

    random: float
    random_tenth: float
    mixed: float
    best_tenth: float
    spread: float
    error: float
    feasible: float


def _rank(one: np.ndarray, other: np.ndarray) -> float:
    return float(spearmanr(one, other).statistic)


class _Compared:
    """Tables and convolution on one catalogue around a good placement."""

    def __init__(self, judge: Judge, rng: np.random.Generator) -> None:
        self.tables, self.scorer = judge.at({})
        self.rng = rng
        count = len(judge.material.cue.tracks)
        catalogue, start = self.tables.everywhere(rng), np.zeros(count, dtype=np.int64)
        first = self._searched(catalogue, start, exact=False)
        best = [placements_of(catalogue, state) for state in first[:3]]
        self.catalogue = self.tables.around(best, rng, exact=True)
        start = np.array(
            [o.placements.index(p) for o, p in zip(self.catalogue, best[0], strict=True)]
        )
        start = self._searched(self.catalogue, start, exact=True)[0]
        self.good = self._searched(self.catalogue, start, exact=True)
        self.ground = Ground(self.tables, self.scorer, self.catalogue, self.good[0], known={})

    def _searched(
        self, catalogue: list[Options], state: np.ndarray, *, exact: bool
    ) -> list[np.ndarray]:
        """States of a short search, best first."""
        ground = Ground(self.tables, self.scorer, catalogue, state, known={} if exact else None)
        result = inner_search(
            ground.around(state), state, rng=self.rng, max_evaluations=EVALUATIONS * len(state)
        )
        return [one for one, _ in result.elites]

    def costs(self, states: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
        """Costs on the tables, exact costs, and the share that holds every limit."""
        exact = [self.scorer.score(placements_of(self.catalogue, state)).cost for state in states]
        totals = np.array([cost.total for cost in exact])
        return self.ground.costs(states), totals, float(np.mean([c.feasible for c in exact]))


def agreement(judge: Judge, *, count: int = 200, seed: int = 5, few: int = 6) -> Agreement:
    """Compare tables and convolution.

    Parameters
    ----------
    judge : Judge
    count : int
        Placements of either population.
    seed : int
    few : int
        Options a track that placements are drawn from: every one costs a convolution.

    Returns
    -------
    Agreement
    """
    rng = np.random.default_rng(seed)
    compared = _Compared(judge, rng)
    sizes = [len(options.placements) for options in compared.catalogue]
    drawn = [rng.integers(0, size, few) for size in sizes]
    good = [np.unique([state[t] for state in compared.good[:12]])[:few] for t in range(len(sizes))]
    random, mixed = (
        np.stack([rng.choice(options, count) for options in chosen], axis=1)
        for chosen in (drawn, good)
    )
    keep = rng.random(mixed.shape) < 0.5
    mixed = np.where(keep, compared.good[0], mixed)
    table, exact, _ = compared.costs(random)
    near, real, feasible = compared.costs(mixed)
    tenth = max(10, count // 10)
    ahead, best = np.argsort(exact)[:tenth], np.argsort(real)[:tenth]
    return Agreement(
        random=_rank(table, exact),
        random_tenth=_rank(table[ahead], exact[ahead]),
        mixed=_rank(near, real),
        best_tenth=_rank(near[best], real[best]),
        spread=float(real[best].std()),
        error=float((near - real)[best].std()),
        feasible=feasible,
    )


def judge_of(path: Path, seconds: float | None) -> Judge:
    """Everything that scores a cue on a passage of some length, limits on tables as they are.

    The search's tables see limits a little earlier than they are: there they differ on purpose.
    """
    cue = read_cue(path)
    if seconds is not None:
        cue = dataclasses.replace(cue, excerpt_length=seconds)
    material = make_ready(survey_cue(cue, Quiet()), Quiet()).material
    return Judge(material, margin_db=0.0)


if __name__ == "__main__":
    length = float(sys.argv[2]) if len(sys.argv) > 2 else None
    number = int(sys.argv[3]) if len(sys.argv) > 3 else 200
    sys.stdout.write(f"{agreement(judge_of(Path(sys.argv[1]), length), count=number)}\n")
