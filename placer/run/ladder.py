"""All rungs of a search, one after the other.

First short rounds in which every unit may move, while seats are measured. Then come the rungs: the
best mix of few moves, and another way with as few; of some; of all with the mean depth held; and
of all. Each is searched for its own sake and from the rung before; where going on from the rung
before keeps nine tenths of the gain, the rung is nested in it, and one path leads through both. A
rung that gains no more than one of less effort is left out.

*Conventions*: as in `rounds`. Bounded by evaluations a search repeats itself; bounded by time it
does not.

`Rung`: one mix and the way to it. `Rungs`: all of a search. `search_rungs`.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from placer.cost.fast import Kernel
from placer.cue.records import RUNGS
from placer.placement.options import place_of
from placer.run.evaluator import Arrangement, Evaluator, Placements
from placer.run.few_moves import few_moves
from placer.run.kept_moves import NO_ANSWERS, Answers
from placer.run.polish import polished
from placer.run.rounds import OTHERS, Budget, Search
from placer.run.standing import Standing
from placer.search.path import HELD_DB

ROUNDS = 24
"""Rounds of the search in which every unit may move."""

RUNG_ROUNDS = 3
"""Rounds of each rung in which all may move."""

SHARES = {
    "free": 0.40, "few": 0.18, "other": 0.06, "some": 0.14, "contrast": 0.12, "clearest": 0.10,
}  # fmt: skip
"""Parts of the time, in the order in which rungs are searched: of both mixes of few moves the
better one is gone on from."""

NESTED = 0.9
"""Part of its own gain that a rung must keep to be nested in the one before."""

WORTH_MORE = 0.02
"""Part by which a rung gains more than any before it, or it is no other mix to a listener (a matter
of taste, no source)."""

NESTED_PART = 0.3
"""Part of the time of a rung of all in which its path goes on from the rung before."""

POLISH = 0.4
"""Part of the time of a rung of all that is for its polish."""

THREADS = 1
"""Threads that measure seats beside the search."""


@dataclass(frozen=True, slots=True)
class Rung:
    """One mix and the way to it.

    Attributes
    ----------
    name : one of `cue.records.RUNGS`
    placements : one a track
    cost : of the mix, its effort not counted
    steps : units to move together, in the order to do so
    nested : whether its path goes on from that of the rung before
    """

    name: str
    placements: Placements
    cost: float
    steps: tuple[tuple[int, ...], ...]
    nested: bool


@dataclass(frozen=True, slots=True)
class Rungs:
    """All rungs of a search, and what it took.

    Attributes
    ----------
    rungs : in order of effort; those that beat the reference
    evaluations : of the inner search
    """

    rungs: tuple[Rung, ...]
    evaluations: int


def search_rungs(
    evaluator: Evaluator,
    arranged: Arrangement,
    *,
    seed: int,
    budget: Budget,
    answers: Answers = NO_ANSWERS,
    progress: Callable[[Standing], None] | None = None,
) -> Rungs:
    """Search all rungs of a cue at one geometry.

    Parameters
    ----------
    arranged : Arrangement
        From `Evaluator.at`.
    answers : Answers
        Moves that are held, and moves that are not proposed again.
    progress : callable, optional
        Told how the search stands, at most every `TOLD` s.
    """
    settings = evaluator.cue.search
    search = Search(
        evaluator,
        arranged,
        rng=np.random.default_rng(seed),
        budget=budget,
        answers=answers,
        progress=progress,
    )
    for mix in (search.starts, search.begin):
        for index, placement in enumerate(mix):
            arranged.measured(index, place_of(placement))
    clock = search.clock
    clock.begin(SHARES["free"])
    with ThreadPoolExecutor(THREADS) as pool:
        best, others = search.free(search.begin, rounds=ROUNDS, held=search.kept, pool=pool)
    seen = [best, *others[:OTHERS]]
    ladder = Ladder(search, seen)
    done = SHARES["free"]
    for name, share in itertools.islice(SHARES.items(), 1, None):
        done += share
        clock.begin(done, keep=ladder.added_s)
        if name in settings.rungs:
            ladder.climb(name, best)
    return Rungs(
        rungs=tuple(ladder.rungs[name] for name in RUNGS if name in ladder.rungs),
        evaluations=search.evaluations,
    )


class Ladder:
    """Rungs one after the other.

    Attributes
    ----------
    rungs : those that are there
    added_s : longest time that tidying and ordering a rung has taken, s
    """

    def __init__(self, search: Search, seen: Sequence[Placements]) -> None:
        self._search, self._seen = search, seen
        self.rungs: dict[str, Rung] = {}
        self._below: Placements = search.begin
        self.added_s = 0.0
        self._first = self._kept_steps()
        self._steps: tuple[tuple[int, ...], ...] = self._first

    def _kept_steps(self) -> tuple[tuple[int, ...], ...]:
        """What is kept, in the order to make it; what keeps no limit alone is one last step."""
        search = self._search
        if not search.kept:
            return ()
        steps, _ = search.path(search.starts, search.begin)
        found = [step.units for step in steps]
        rest = search.kept - {unit for step in found for unit in step}
        return (*found, tuple(sorted(rest))) if rest else tuple(found)

    def _moves(self, name: str) -> int:
        settings, units = self._search.cue.search, len(self._search.units)
        few = settings.moves or max(3, round(units / 10))
        return min(units, few if name == "few" else max(2 * few, round(units / 3)))

    def climb(self, name: str, best: Placements) -> None:
        """Search one rung and add it, if it beats the one below it."""
        search = self._search
        kernel = None
        if name == "contrast":
            kernel = search.evaluator.with_limits(search.cue.search.contrast_db)
        below, held = self._below, search.moved(self._below)
        more = len(held - search.kept)
        on: Placements | None = None
        if name == "other":
            own = self._another()
        elif name in ("few", "some"):
            moves = self._moves(name)
            if more and moves > more:
                with search.clock.part(0.5):
                    on = few_moves(search, below, self._seen, moves - more)
            own = few_moves(search, search.begin, self._seen, moves, first=on)
        else:
            # whatever holds the mean depth holds all limits without it
            above = [best]
            if "contrast" in self.rungs:
                above.append(self.rungs["contrast"].placements)
            begin = min(above, key=search.cost)
            if more:
                with search.clock.part(NESTED_PART):
                    on, _ = search.free(below, rounds=RUNG_ROUNDS, kernel=kernel, held=held)
            with search.clock.part(1.0 - POLISH):
                own, _ = search.free(begin, rounds=RUNG_ROUNDS, kernel=kernel, held=search.kept)
            every = set(range(len(search.units)))
            own = polished(search, own, every - search.kept, kernel, end=search.clock.end)
        if own is not None:
            now = time.monotonic()
            self._add(name, own, on, kernel)
            self.added_s = max(self.added_s, time.monotonic() - now)

    def _another(self) -> Placements | None:
        """Another mix of few moves, without what moves first in the one that is there."""
        search = self._search
        few = self.rungs.get("few")
        if few is None or len(few.steps) <= len(self._first):
            return None
        first = few.steps[len(self._first)][0]
        return few_moves(search, search.begin, self._seen, self._moves("few"), banned=first)

    def _add(
        self, name: str, own: Placements, on: Placements | None, kernel: Kernel | None
    ) -> None:
        """Choose between going on and beginning anew; tidy, order and keep."""
        search = self._search
        at_start = search.cost(search.starts, kernel)
        candidates: list[tuple[float, Rung]] = []
        for mix, nested in ((on, True), (own, False)):
            if mix is None:
                continue
            base = self._below if nested else search.begin
            held = search.moved(base)
            tidy = search.tidied(mix, held, kernel)
            steps, reached = search.path(base, tidy, kernel)
            cost = search.cost(reached, kernel)
            if search.violation(reached, kernel) > HELD_DB or cost >= at_start:
                continue
            way = tuple(step.units for step in steps)
            rung = Rung(
                name=name,
                placements=reached,
                cost=search.evaluator.breakdown(search.arranged, reached).total,
                steps=(*(self._steps if nested else self._first), *way),
                nested=nested,
            )
            if name == "clearest" and self._holds_the_depth(rung):
                if rung.cost < self.rungs["contrast"].cost:
                    self.rungs["contrast"] = replace(rung, name="contrast")
            elif name == "other" or self._is_more(rung):
                candidates.append((at_start - cost, rung))
        if not candidates:
            return
        worth = [gain / NESTED if rung.nested else gain for gain, rung in candidates]
        rung = candidates[int(np.argmax(worth))][1]
        if name == "other":
            if rung.placements == self.rungs["few"].placements:
                return
            rung = self._better_first(rung)
            if not self._as_good_as_few(rung):
                return
        self.rungs[name] = rung
        search.tell(rung.placements, always=True)
        if name in ("few", "some"):
            self._below, self._steps = rung.placements, rung.steps

    def _holds_the_depth(self, rung: Rung) -> bool:
        """Whether a rung of all is one with the mean depth held, where such a one is wanted."""
        kernel = self._search.evaluator.with_limits(self._search.cue.search.contrast_db)
        held = self._search.violation(rung.placements, kernel) <= HELD_DB
        return "contrast" in self.rungs and held

    def _is_more(self, rung: Rung) -> bool:
        """Whether a rung gains clearly more than each of less effort."""
        reference = self._search.evaluator.reference.total
        most = max((reference - one.cost for one in self.rungs.values()), default=0.0)
        return reference - rung.cost > (1.0 + WORTH_MORE) * most

    def _better_first(self, other: Rung) -> Rung:
        """Let the better of two mixes of few moves be the one to go on from; the other one."""
        few = self.rungs["few"]
        if other.cost >= few.cost:
            return other
        better = replace(other, name="few")
        self.rungs["few"] = better
        self._below, self._steps = better.placements, better.steps
        return replace(few, name="other")

    def _as_good_as_few(self, rung: Rung) -> bool:
        """Whether another mix of few moves gains nearly as much as the one that is there."""
        reference = self._search.evaluator.reference.total
        return reference - rung.cost >= NESTED * (reference - self.rungs["few"].cost)
