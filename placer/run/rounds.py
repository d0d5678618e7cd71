"""One search of a cue in many short rounds.

Each round proposes some hundred options a unit around the best mix so far and around a few others
that differ, searches them for a moment, and begins again from what it found. New seats are measured
in other threads meanwhile: a coarse look first, then around what helped. Everything is judged by
what was measured, so that what a round ends at is what one will hear.

*Conventions*: a mix is one placement a track. Costs are minimised and hold the effort of a hand.


`Budget`: how long. `Clock`: parts of it. `Search`: the state of one search, and its rounds.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial

import numpy as np

from placer.cost.fast import Kernel
from placer.cost.landscape import CatalogueLandscape
from placer.cue.records import Placement
from placer.placement.measured import Measured
from placer.placement.options import Place, TrackSteps, place_of
from placer.run.evaluator import Arrangement, Evaluator, Placements
from placer.run.kept_moves import Answers, is_refused
from placer.run.standing import Standing, standing_of
from placer.run.unit_options import (
    COARSE,
    FINE,
    Option,
    UnitOptions,
    UnitSettings,
    seats_around,
    together,
    unit_settings,
    units_of,
)
from placer.search.moves import inner_search
from placer.search.path import Step, ordered
from placer.search.units import UnitLandscape
from placer.search.walk import lower, lowest

AROUND, SPREAD = 70, 30
"""Options a unit that a round proposes around a mix, and over everything."""

OTHERS = 2
"""Mixes that differ from the best, around which a round proposes too."""

EVALUATIONS = 600
"""Evaluations a unit in one round, where time does not bound it."""

LEAST_SECONDS = 0.15
"""Least time of a round, s."""

WALKED = 3.0
"""A round walks at least so many times as long as its options took to prepare."""

MOST_TIDYING = 12
"""Times that every unit may put back one of its settings."""

FINE_TRACKS = 6
"""Tracks around whose present seat a round measures others."""

TOLD = 2.0
"""Least time between two tellings of how the search stands, s: each works out one mix in full."""


@dataclass(frozen=True, slots=True)
class Budget:
    """How long a search may take.

    Attributes
    ----------
    seconds : or None, where evaluations bound it
    stop : asked often; true ends the search at once, keeping what it has
    """

    seconds: float | None = None
    stop: Callable[[], bool] = bool


class Clock:
    """Parts of a budget, each with its own end."""

    def __init__(self, budget: Budget) -> None:
        self.stopped = budget.stop
        self._seconds = budget.seconds
        self._begun = time.monotonic()
        self.end: float | None = None  # of the present part, by `time.monotonic`

    def begin(self, share_done: float, *, keep: float = 0.0) -> None:
        """Set the end of the next part, as a share of all time less what is kept for later, s."""
        if self._seconds is not None:
            self.end = self._begun + share_done * self._seconds - keep

    @contextmanager
    def part(self, share: float) -> Iterator[None]:
        """Let the present part end earlier, after a share of what it has left."""
        end = self.end
        if end is not None:
            now = time.monotonic()
            self.end = now + share * max(0.0, end - now)
        yield
        self.end = end

    def over(self) -> bool:
        """Whether the present part has ended."""
        return self.stopped() or (self.end is not None and time.monotonic() >= self.end)

    def left(self) -> float:
        """Time left of the present part, s; none once the search was told to stop."""
        if self.stopped():
            return 0.0
        return np.inf if self.end is None else self.end - time.monotonic()

    def pieces(self, least: float, most: int) -> int:
        """How many pieces of some least length, s, the present part has left, 1 to `most`."""
        if self.end is None:
            return most
        return int(min(max((self.end - time.monotonic()) / least, 1), most))

    def piece(self, left: int, least: float = LEAST_SECONDS) -> float | None:
        """When one of so many rounds that are left must end; it lasts some least time, s."""
        if self.end is None:
            return None
        now = time.monotonic()
        return now + max(least, (self.end - now) / max(1, left))


class Search:
    """The state of one search."""

    def __init__(
        self,
        evaluator: Evaluator,
        arranged: Arrangement,
        *,
        rng: np.random.Generator,
        budget: Budget,
        answers: Answers,
        progress: Callable[[Standing], None] | None,
    ) -> None:
        self.evaluator, self.arranged, self.rng = evaluator, arranged, rng
        self.cue = arranged.cue
        self.units = units_of(self.cue)
        self.clock = Clock(budget)
        self._progress, self._told = progress, time.monotonic()
        self.evaluations = 0
        movable, most_gain_db = evaluator.scene.movable, self.cue.search.most_gain_db
        self.starts: Placements = evaluator.starts
        self.begin: Placements = tuple(answers.begin(track) for track in self.cue.tracks)
        # what other searches have measured must not lead this one: it would not repeat itself
        self.known: list[dict[Place, None]] = [
            dict.fromkeys((place_of(one), place_of(two)))
            for one, two in zip(self.starts, self.begin, strict=True)
        ]
        self.options = [
            UnitOptions(
                [TrackSteps(self.cue.tracks[index], most_gain_db) for index in unit],
                [self.known[index] for index in unit],
                # what rests in the passage goes with the rest of its bus
                movable=bool(np.any(movable[list(unit)])),
                trim_db=self.cue.search.trim_db,
                refuses=partial(is_refused, answers) if answers.refused else None,
            )
            for unit in self.units.members
        ]
        self.kept = self.moved(self.begin)

    # -- mixes, units and options

    def of_units(self, mix: Placements) -> list[Option]:
        """A mix as options of the units."""
        return [tuple(mix[index] for index in unit) for unit in self.units.members]

    def of_tracks(self, options: Sequence[Option]) -> Placements:
        """Options of the units as a mix."""
        mix = list(self.starts)
        for unit, option in zip(self.units.members, options, strict=True):
            for index, placement in zip(unit, option, strict=True):
                mix[index] = placement
        return tuple(mix)

    def landscape(
        self, options: Sequence[UnitSettings], kernel: Kernel | None
    ) -> tuple[UnitLandscape, CatalogueLandscape]:
        """Costs over options of every unit."""
        placements: list[Sequence[Placement]] = [()] * len(self.cue.tracks)
        for unit, some in zip(self.units.members, options, strict=True):
            for index, part in zip(unit, some.parts, strict=True):
                placements[index] = part
        tracks = self.evaluator.landscape(self.arranged, placements, kernel)
        return UnitLandscape(tracks, self.units), tracks

    # -- seats

    def coarse(self) -> list[tuple[int, Place]]:
        """Seats to look at first, the tracks that matter most first."""
        found: list[list[tuple[int, Place]]] = []
        for unit in self._by_weight():
            for step in COARSE:
                found.append(self._stepped(unit, (step,)))
        # one step of every unit before the next step of any
        order = sorted(range(len(found)), key=lambda i: i % len(COARSE))
        return [place for i in order for place in found[i]]

    def _by_weight(self) -> list[int]:
        weight = self.evaluator.scene.weight * (1.0 + self.evaluator.scene.foreground)
        totals = [float(sum(weight[list(unit)])) for unit in self.units.members]
        return sorted(range(len(self.units)), key=lambda unit: -totals[unit])

    def _stepped(
        self, unit: int, steps: Sequence[tuple[float, float]], mix: Placements | None = None
    ) -> list[tuple[int, Place]]:
        """Places of a unit's tracks so many steps from where a mix has them."""
        found: list[tuple[int, Place]] = []
        if not self.options[unit].movable:
            return []
        for index in self.units.members[unit]:
            track = self.cue.tracks[index]
            one = track.start if mix is None else mix[index]
            if one.seat is not None:
                for seat in seats_around(track, one.seat, self.cue.room, steps):
                    found.append((index, (seat, one.aligned)))
        return found

    def fine(self, mix: Placements) -> list[tuple[int, Place]]:
        """Seats around those of a mix, of some units."""
        chosen = self.rng.permutation(len(self.units))[:FINE_TRACKS]
        step = FINE[int(self.rng.integers(len(FINE)))]
        found = [place for unit in chosen for place in self._stepped(int(unit), (step,), mix)]
        if self.rng.random() < 0.3:
            index = int(self.rng.integers(len(self.cue.tracks)))
            track = self.cue.tracks[index]
            if not track.fixed and "delay" not in track.locks:
                found.append((index, (mix[index].seat, not mix[index].aligned)))
        return [one for one in found if one[1] not in self.known[one[0]]]

    # -- rounds

    def around(self, mixes: Sequence[Placements]) -> list[UnitSettings]:
        """Options around mixes, the best first."""
        centres = [self.of_units(mix) for mix in mixes]
        found = []
        for unit, options in enumerate(self.options):
            some = [
                options.around(one[unit], AROUND if number == 0 else AROUND // 3, self.rng)
                for number, one in enumerate(centres)
            ]
            found.append(together(*some, options.spread(SPREAD, self.rng)))
        return found

    def near(self, unit: int, option: Option) -> UnitSettings:
        """Options of one unit around its own, and over everything."""
        own = self.options[unit]
        around = own.around(option, AROUND, self.rng)
        return together(around, own.spread(SPREAD, self.rng))

    def state_of(
        self,
        options: Sequence[UnitSettings],
        mix: Placements,
        otherwise: np.ndarray | None = None,
    ) -> np.ndarray:
        """Option numbers of a mix; those of `otherwise` where it has none.

        Raises
        ------
        ValueError
            An option is not there, and no other is given.
        """
        state = np.zeros(len(options), dtype=np.int64) if otherwise is None else otherwise.copy()
        for unit, (some, one) in enumerate(zip(options, self.of_units(mix), strict=True)):
            number = some.find(one)
            if number is not None:
                state[unit] = number
            elif otherwise is None:
                raise ValueError(f"unit {unit} has no option {one}")
        return state

    def mix_of(self, options: Sequence[UnitSettings], state: np.ndarray) -> Placements:
        """The mix that a state stands for."""
        return self.of_tracks([some[int(k)] for some, k in zip(options, state, strict=True)])

    def free(
        self,
        begin: Placements,
        *,
        rounds: int,
        kernel: Kernel | None = None,
        held: frozenset[int] = frozenset(),
        pool: ThreadPoolExecutor | None = None,
    ) -> tuple[Placements, list[Placements]]:
        """Short rounds in which every unit may move but those held; the best mix and others.

        The first round of a search, which has a pool, walks however little time is left: without it
        nothing is known that any rung could move.
        """
        best, others = begin, list[Placements]()
        waiting = self.coarse() if pool is not None else []
        measuring: list[tuple[int, Place, Future[Measured]]] = []
        for left in range(rounds, 0, -1):
            if left < rounds and self.clock.over():
                break
            begun = time.monotonic()
            options = self.around([best, *others[:OTHERS]])
            for unit in held:
                options[unit] = unit_settings([self.of_units(best)[unit]])
            units, _ = self.landscape(options, kernel)
            least = max(LEAST_SECONDS, WALKED * (time.monotonic() - begun))
            if pool is not None and not measuring:
                some = waiting[: 2 * len(self.cue.tracks)] or self.fine(best)
                waiting = waiting[2 * len(self.cue.tracks) :]
                measuring = [(*one, pool.submit(self.arranged.measured, *one)) for one in some]
            if pool is None or left < rounds:
                least = min(least, self.clock.left())
            until = self.clock.piece(left, least)
            best, others = self._walked(units, options, best, until)
            measuring = self._collected(measuring)
        for _, _, one in measuring:
            one.cancel()
        return best, others

    def _collected(
        self, measuring: list[tuple[int, Place, Future[Measured]]]
    ) -> list[tuple[int, Place, Future[Measured]]]:
        """Make known what has been measured, all of it where no clock runs; what is left."""
        left = []
        for index, place, one in measuring:
            if self.clock.end is not None and not one.done():
                left.append((index, place, one))
                continue
            one.result()
            self.known[index][place] = None
        return left

    def _walked(
        self,
        units: UnitLandscape,
        options: Sequence[UnitSettings],
        best: Placements,
        until: float | None,
    ) -> tuple[Placements, list[Placements]]:
        """One round of the inner search."""
        result = inner_search(
            units,
            self.state_of(options, best),
            rng=self.rng,
            deadline=until,
            max_evaluations=None if until is not None else EVALUATIONS * len(self.units),
            stop=self.clock.stopped,
            on_progress=partial(self.tell, best),  # the round's own best is told after it
        )
        self.evaluations += result.evaluations
        found = [self.mix_of(options, state) for state, _ in result.elites]
        first = self.mix_of(options, result.best_state)
        return first, [one for one in found if one != first]

    def tell(self, mix: Placements, more: int = 0, *, always: bool = False) -> None:
        """Tell how the search stands at a mix, if the last time was long enough ago."""
        if self._progress is None or (time.monotonic() - self._told < TOLD and not always):
            return
        count = self.evaluations + more
        self._progress(standing_of(self.evaluator, self.arranged, mix, count))
        self._told = time.monotonic()

    def alone(self, mix: Placements) -> list[UnitSettings]:
        """The options of a mix as the only ones."""
        return [unit_settings([one]) for one in self.of_units(mix)]

    def cost(self, mix: Placements, kernel: Kernel | None = None) -> float:
        """Cost of a mix with the effort that it takes."""
        units, _ = self.landscape(self.alone(mix), kernel)
        return units.cost(np.zeros(len(self.units), dtype=np.int64))

    def tidied(
        self, mix: Placements, held: frozenset[int], kernel: Kernel | None = None
    ) -> Placements:
        """The mix with every setting back that is not worth its effort, one after the other."""
        for number in range(MOST_TIDYING):
            if number and self.clock.over():
                break
            options = [
                unit_settings([one]) if unit in held else self.options[unit].simpler(one)
                for unit, one in enumerate(self.of_units(mix))
            ]
            units, _ = self.landscape(options, kernel)
            state = self.state_of(options, mix)
            cost = units.cost(state)
            for unit in self.rng.permutation(len(self.units)):
                if len(options[unit]) < 2:
                    continue
                states = np.repeat(state[None], len(options[unit]), axis=0)
                states[:, unit] = np.arange(len(options[unit]))
                costs = units.costs(states)
                best = lowest(costs)
                if lower(costs[best], cost):
                    state, cost = states[best], float(costs[best])
            tidy = self.mix_of(options, state)
            if tidy == mix:
                break
            mix = tidy
        return mix

    def path(
        self, begin: Placements, goal: Placements, kernel: Kernel | None = None
    ) -> tuple[tuple[Step, ...], Placements]:
        """The moves from one mix to another in order."""
        first, last = self.of_units(begin), self.of_units(goal)
        options = [
            unit_settings([a] if a == b else [a, b]) for a, b in zip(first, last, strict=True)
        ]
        units, _ = self.landscape(options, kernel)
        state = np.zeros(len(options), dtype=np.int64)
        goal_state = np.array([len(some) - 1 for some in options])
        steps, reached = ordered(units, state, goal_state)
        return steps, self.mix_of(options, reached)

    def violation(self, mix: Placements, kernel: Kernel | None = None) -> float:
        """How far a mix breaks limits, dB."""
        units, _ = self.landscape(self.alone(mix), kernel)
        return units.violation(np.zeros(len(self.units), dtype=np.int64))

    def moved(self, mix: Placements) -> frozenset[int]:
        """Units that a mix moves."""
        return frozenset(
            unit for unit, one in enumerate(self.of_units(mix)) if one != self.options[unit].start
        )
