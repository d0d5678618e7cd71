"""One search of a cue: many short rounds, then the path of few moves.

Each round proposes some hundred options a unit around the best mix so far and around a few others
that differ, searches them for a moment, and begins again from what it found. New seats are measured
in other threads meanwhile: a coarse look first, then around what helped. Everything is judged by
what was measured, so that what a round ends at is what one will hear.

Then come the rungs: the best mix of few moves, and another way with as few; of some; of all with
the mean depth held; and of all. Each is searched for its own sake and from the rung before; where
going on from the rung before keeps nine tenths of the gain, the rung is nested in it, and one path
leads through both. A rung that gains no more than one of less effort is left out.

*Conventions*: a mix is one placement a track. Costs are minimised and hold the effort of a hand.
Bounded by evaluations the search repeats itself; bounded by time it does not.

`Budget`: how long. `Rung`: one mix and the way to it. `Rungs`: all of a search. `search_rungs`.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from placer.cost.fast import Kernel
from placer.cost.landscape import CatalogueLandscape
from placer.cue.records import RUNGS, Placement
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
from placer.search.path import HELD_DB, Step, beam_of_few, ordered
from placer.search.units import UnitLandscape
from placer.search.walk import lower, lowest

AROUND, SPREAD = 70, 30
"""Options a unit that a round proposes around a mix, and over everything."""

OTHERS = 2
"""Mixes that differ from the best, around which a round proposes too."""

ROUNDS = 24
"""Rounds of the search in which every unit may move."""

FEW_ROUNDS, RUNG_ROUNDS = 3, 3
"""Rounds of each rung: of few moves, and of all."""

EVALUATIONS = 600
"""Evaluations a unit in one round, where time does not bound it."""

SHARES = {
    "free": 0.45, "few": 0.13, "other": 0.07, "some": 0.13, "contrast": 0.13, "clearest": 0.09,
}  # fmt: skip
"""Parts of the time, in the order in which rungs are searched: of both mixes of few moves the
better one is gone on from."""

LEAST_SECONDS = 0.15
"""Least time of a round, s."""

NESTED = 0.9
"""Part of its own gain that a rung must keep to be nested in the one before."""

WORTH_MORE = 0.02
"""Part by which a rung gains more than any before it, or it is no other mix to a listener (a matter
of taste, no source)."""

NESTED_PART = 0.3
"""Part of the time of a rung of all in which its path goes on from the rung before."""

MOST_TIDYING = 12
"""Times that every unit may put back one of its settings."""

SOFT_PENALTY = 0.15
"""Cost of a dB beyond a limit while few moves are put together: walls that a pair of moves may
climb over. What is found is made better and judged with the full penalty."""

RACED, LEG_ROUNDS, LEG_EVALUATIONS = 8, 3, 600
"""Sets of units that race for the mix of few moves; rounds of each in one leg of the race, and
evaluations a unit in one of these, at the most."""

LEAST_FEW, LEAST_LEG = 3.0, 0.1
"""Least time of a round of few moves, and of one round of a mix that races, s."""

POLISH, MOST_POLISHING = 0.4, 8
"""Part of the time of a rung of all that is for its polish, and times that one goes through all."""

POLISHED_PAIRS, VERIFIED = 400, 6
"""Pairs of changes of two units, and estimated changes of one, that a polish works out in full."""

POLISHED, POLISHED_TOGETHER = 12, 12
"""Changes of one setting, the best if nothing were limited, that a polish tries with every other
one of the same unit, and of other units."""

NO_ANSWERS = Answers()

FINE_TRACKS = 6
"""Tracks around whose present seat a round measures others."""

TOLD = 2.0
"""Least time between two tellings of how the search stands, s: each works out one mix in full."""

THREADS = 1
"""Threads that measure seats beside the search."""


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


class _Clock:
    """Parts of a budget, each with its own end."""

    def __init__(self, budget: Budget) -> None:
        self.stopped = budget.stop
        self._seconds = budget.seconds
        self._begun = time.monotonic()
        self.end: float | None = None  # of the present part, by `time.monotonic`

    def begin(self, share_done: float) -> None:
        """Set the end of the next part, as a share of all time."""
        if self._seconds is not None:
            self.end = self._begun + share_done * self._seconds

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

    def piece(self, left: int) -> float | None:
        """When one of so many rounds that are left must end."""
        if self.end is None:
            return None
        now = time.monotonic()
        return now + max(LEAST_SECONDS, (self.end - now) / max(1, left))


class _Search:
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
        self.clock = _Clock(budget)
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

    def around(self, mixes: Sequence[Placements], *, spread: int = SPREAD) -> list[UnitSettings]:
        """Options around mixes, the best first."""
        centres = [self.of_units(mix) for mix in mixes]
        found = []
        for unit, options in enumerate(self.options):
            some = [
                options.around(one[unit], AROUND if number == 0 else AROUND // 3, self.rng)
                for number, one in enumerate(centres)
            ]
            if spread:
                some.append(options.spread(spread, self.rng))
            found.append(together(*some))
        return found

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
        """Short rounds in which every unit may move but those held; the best mix and others."""
        best, others = begin, list[Placements]()
        waiting = self.coarse() if pool is not None else []
        measuring: list[tuple[int, Place, Future[Measured]]] = []
        for left in range(rounds, 0, -1):
            if left < rounds and self.clock.over():
                break
            options = self.around([best, *others[:OTHERS]])
            for unit in held:
                options[unit] = unit_settings([self.of_units(best)[unit]])
            units, _ = self.landscape(options, kernel)
            if pool is not None and not measuring:
                some = waiting[: 2 * len(self.cue.tracks)] or self.fine(best)
                waiting = waiting[2 * len(self.cue.tracks) :]
                measuring = [(*one, pool.submit(self.arranged.measured, *one)) for one in some]
            best, others = self._walked(units, options, best, left)
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
        self, units: UnitLandscape, options: Sequence[UnitSettings], best: Placements, left: int
    ) -> tuple[Placements, list[Placements]]:
        """One round of the inner search."""
        until = self.clock.piece(left)
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

    def few(
        self,
        begin: Placements,
        seen: Sequence[Placements],
        moves: int,
        *,
        banned: int | None = None,
        first: Placements | None = None,
    ) -> Placements:
        """The best mix with so many more units moved than in `begin`, one perhaps not at all.

        What is given as `first` is the best so far.

        Sets of units that look best together race: each is searched by itself for a moment, the
        better half of them longer, and so on, down to one.
        """
        best = begin if first is None else first
        for number in range(FEW_ROUNDS):
            if number and self.clock.left() < LEAST_FEW / 2.0:
                break
            end = self.clock.piece(self.clock.pieces(LEAST_FEW, FEW_ROUNDS - number))
            running = self._sets_of_few(begin, [best, *seen], moves, banned)
            if best != begin:
                own = self.moved(best)
                running = [best, *(one for one in running if self.moved(one) != own)]
            found = self._race(running[:RACED], begin, end)
            found = self.polished(found, self.moved(found) - self.moved(begin), end=end)
            if lower(self.cost(found), self.cost(best)):
                best = found
                self.tell(best)
        return best

    def _race(
        self, running: Sequence[Placements], begin: Placements, end: float | None
    ) -> Placements:
        """Search mixes by turns, the better half of them again, and so on; the last one left."""
        while len(running) > 2 and end is not None:
            # each leg is as long, and a polish as one of them
            if (end - time.monotonic()) / (_legs(running) + 1) >= LEAST_LEG * len(running):
                break
            running = running[: len(running) // 2]
        for leg in range(_legs(running), 0, -1):
            now = time.monotonic()
            leg_s = 0.0 if end is None else max(0.0, end - now) / (leg + 1)
            searched = []
            for number, mix in enumerate(running):
                until = now + leg_s * (number + 1) / len(running)
                searched.append(self._raced(mix, begin, None if end is None else until))
            running = sorted(searched, key=self.cost)[: max(1, len(searched) // 2)]
            if self.clock.stopped():
                break
        return running[0]

    def _sets_of_few(
        self,
        begin: Placements,
        seen: Sequence[Placements],
        moves: int,
        banned: int | None,
    ) -> list[Placements]:
        """Mixes of few moves, no two of which move the same units, the cheapest first."""
        options = self.around(seen)
        for unit, one in enumerate(self.of_units(begin)):
            if one != self.options[unit].start or unit == banned:
                options[unit] = unit_settings([one])
        units, tracks = self.landscape(options, None)
        soft = UnitLandscape(tracks.penalised(SOFT_PENALTY), self.units)
        state = self.state_of(options, begin)
        favoured = [self.state_of(options, mix, state) for mix in seen]
        found = []
        for landscape in (units, soft):
            for chosen in beam_of_few(landscape, state, moves, favoured=favoured):
                found.append((units.cost(chosen), self.mix_of(options, chosen)))
        kept: dict[frozenset[int], Placements] = {}
        for _, mix in sorted(found, key=lambda pair: pair[0]):
            kept.setdefault(self.moved(mix), mix)
        return list(kept.values())

    def _raced(self, mix: Placements, begin: Placements, until: float | None) -> Placements:
        """A mix searched further by the units alone that it moves, in a few short rounds."""
        free = self.moved(mix) - self.moved(begin)
        for number in range(LEG_ROUNDS):
            now = time.monotonic()
            if not free or self.clock.stopped() or (number and until is not None and now >= until):
                break
            options, centre = self.alone(mix), self.of_units(mix)
            for unit in free:
                own = self.options[unit]
                near = own.around(centre[unit], AROUND, self.rng)
                options[unit] = together(near, own.spread(SPREAD, self.rng))
            units, _ = self.landscape(options, None)
            deadline = None
            if until is not None:
                share = (until - now) / (LEG_ROUNDS - number)
                deadline = min(until, now + max(LEAST_LEG, share))
            result = inner_search(
                units,
                self.state_of(options, mix),
                rng=self.rng,
                deadline=deadline,
                max_evaluations=LEG_EVALUATIONS * len(free),
                stop=self.clock.stopped,
            )
            self.evaluations += result.evaluations
            mix = self.mix_of(options, result.best_state)
        return mix

    def polished(
        self,
        mix: Placements,
        free: Iterable[int],
        kernel: Kernel | None = None,
        *,
        end: float | None = None,
    ) -> Placements:
        """A mix made better until no change of one or two settings helps.

        Both may be settings of one unit, or of two: a limit that all share often lets one come
        nearer only if another goes farther.

        Parameters
        ----------
        free : iterable of int
            Units that may move.
        kernel : Kernel, optional
        end : float, optional
            `time.monotonic` at which it ends with what it has.
        """
        among = sorted(free)

        def over() -> bool:
            return self.clock.stopped() or (end is not None and time.monotonic() >= end)

        for _ in range(MOST_POLISHING):
            before = mix
            for unit in self.rng.permutation(among):
                if not over():
                    mix = self._polished_alone(mix, int(unit), kernel)
            if len(among) > 1 and not over():
                mix = self._polished_together(mix, among, kernel)
            if mix == before or over():
                break
        return mix

    def _polished_alone(self, mix: Placements, unit: int, kernel: Kernel | None) -> Placements:
        """The best of a mix with one or two settings of one unit changed."""
        options, own = self.alone(mix), self.options[unit]
        centre = self.of_units(mix)[unit]
        options[unit] = own.singles(centre)
        if len(options[unit]) < 2:
            return mix
        units, tracks = self.landscape(options, kernel)
        gentle = UnitLandscape(tracks.penalised(0.0), self.units)
        start = np.zeros(len(options), dtype=np.int64)
        costs = gentle.screen(start, unit, np.arange(len(options[unit])))
        first = options[unit].take(np.argsort(costs, kind="stable")[:POLISHED])
        options[unit] = together(options[unit], own.pairs(centre, first))
        units, _ = self.landscape(options, kernel)
        state = np.zeros(len(options), dtype=np.int64)
        estimate = units.screen(state, unit, np.arange(len(options[unit])))
        states = np.repeat(state[None], VERIFIED + 1, axis=0)
        states[1:, unit] = np.argsort(estimate, kind="stable")[:VERIFIED]
        costs = units.costs(states)
        best = lowest(costs)
        return self.mix_of(options, states[best]) if lower(costs[best], costs[0]) else mix

    def _polished_together(
        self,
        mix: Placements,
        free: Sequence[int],
        kernel: Kernel | None,
    ) -> Placements:
        """A mix with settings of two units changed, one pair after another, the best first."""
        options, place = self.alone(mix), self.of_units(mix)
        for unit in free:
            options[unit] = self.options[unit].singles(place[unit])
        units, tracks = self.landscape(options, kernel)
        gentle = UnitLandscape(tracks.penalised(0.0), self.units)
        state = np.zeros(len(options), dtype=np.int64)
        cost = units.cost(state)
        own = {
            unit: gentle.screen(state, unit, np.arange(len(options[unit]))) - gentle.cost(state)
            for unit in free
        }
        every = [(unit, k) for unit in free for k in range(1, len(own[unit]))]
        gains = np.array([own[unit][k] for unit, k in every])
        order = np.argsort(gains, kind="stable")
        good = [i for i in order[:POLISHED_TOGETHER] if gains[i] < 0.0]
        pairs = sorted(
            (
                (i, j)
                for n, i in enumerate(good)
                for j in order[n + 1 :]
                if every[i][0] != every[j][0] and gains[i] + gains[j] < 0.0
            ),
            key=lambda pair: gains[pair[0]] + gains[pair[1]],
        )[:POLISHED_PAIRS]
        if not pairs:
            return mix
        states = np.zeros((len(pairs), len(options)), dtype=np.int64)
        for row, (i, j) in zip(states, pairs, strict=True):
            row[every[i][0]], row[every[j][0]] = every[i][1], every[j][1]
        costs = units.costs(states)
        taken = state.copy()
        for i in np.argsort(costs, kind="stable")[:VERIFIED]:
            moved = np.flatnonzero(states[i])
            tried = taken.copy()
            tried[moved] = states[i][moved]
            reached = units.cost(tried)
            if lower(reached, cost):
                taken, cost = tried, reached
        return self.mix_of(options, taken)

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


def _legs(running: Sequence[Placements]) -> int:
    """Legs of a race until one is left, and one of that alone."""
    return (len(running) - 1).bit_length() + 1


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
    search = _Search(
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
    ladder = _Ladder(search, seen)
    done = SHARES["free"]
    for name, share in itertools.islice(SHARES.items(), 1, None):
        done += share
        clock.begin(done)
        if name in settings.rungs:
            ladder.climb(name, best)
    return Rungs(
        rungs=tuple(ladder.rungs[name] for name in RUNGS if name in ladder.rungs),
        evaluations=search.evaluations,
    )


class _Ladder:
    """Rungs one after the other."""

    def __init__(self, search: _Search, seen: Sequence[Placements]) -> None:
        self._search, self._seen = search, seen
        self.rungs: dict[str, Rung] = {}
        self._below: Placements = search.begin
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
                    on = search.few(below, self._seen, moves - more)
            own = search.few(search.begin, self._seen, moves, first=on)
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
            own = search.polished(own, every - search.kept, kernel, end=search.clock.end)
        if own is not None:
            self._add(name, own, on, kernel)

    def _another(self) -> Placements | None:
        """Another mix of few moves, without what moves first in the one that is there."""
        search = self._search
        few = self.rungs.get("few")
        if few is None or len(few.steps) <= len(self._first):
            return None
        first = few.steps[len(self._first)][0]
        return search.few(search.begin, self._seen, self._moves("few"), banned=first)

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
            if name == "other" or self._is_more(rung):
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
