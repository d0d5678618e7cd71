"""The best mix of few moves: sets of units that look best together race.

`few_moves`: the mix.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Sequence
from functools import partial

import numpy as np

from placer.run.evaluator import Placements
from placer.run.polish import polished
from placer.run.rounds import Search
from placer.run.unit_options import unit_settings
from placer.search.moves import inner_search
from placer.search.path import beam_of_few, promising
from placer.search.units import UnitLandscape
from placer.search.walk import lower

FEW_ROUNDS = 3
"""Rounds of the search for a mix of few moves."""

SOFT_PENALTY = 0.15
"""Cost of a dB beyond a limit while few moves are put together: walls that a pair of moves may
climb over. What is found is made better and judged with the full penalty."""

RACED, LEG_ROUNDS, LEG_EVALUATIONS = 8, 3, 600
"""Sets of units that race for the mix of few moves; rounds of each in one leg of the race, and
evaluations a unit in one of these, at the most."""

LEAST_FEW, LEAST_LEG = 0.25, 0.008
"""Least time of a round of few moves, and of one round of a mix that races, s for each unit of the
cue."""

ONE_BACK = 4
"""Mixes with one unit back of the best so far, from which a round goes on."""


def few_moves(
    search: Search,
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
    least = LEAST_FEW * len(search.units)
    for number in range(FEW_ROUNDS):
        if number and search.clock.left() < least / 2.0:
            break
        end = search.clock.piece(search.clock.pieces(least, FEW_ROUNDS - number))
        running = _sets_of_few(search, begin, [best, *seen], moves, banned=banned, end=end)
        if best != begin:
            own = search.moved(best)
            running = [best, *(one for one in running if search.moved(one) != own)]
        found = _race(search, running[:RACED], begin, end)
        found = polished(search, found, search.moved(found) - search.moved(begin), end=end)
        if lower(search.cost(found), search.cost(best)):
            best = found
            search.tell(best)
    return best


def _race(
    search: Search, running: Sequence[Placements], begin: Placements, end: float | None
) -> Placements:
    """Search mixes by turns, the better half of them again, and so on; the last one left."""
    least = LEAST_LEG * len(search.units)
    while len(running) > 2 and end is not None:
        # each leg is as long, and a polish as one of them
        if (end - time.monotonic()) / (_legs(running) + 1) >= least * len(running):
            break
        running = running[: len(running) // 2]
    for leg in range(_legs(running), 0, -1):
        now = time.monotonic()
        leg_s = 0.0 if end is None else max(0.0, end - now) / (leg + 1)
        searched = []
        for number, mix in enumerate(running):
            until = now + leg_s * (number + 1) / len(running)
            searched.append(_raced(search, mix, begin, None if end is None else until))
        running = sorted(searched, key=search.cost)[: max(1, len(searched) // 2)]
        if search.clock.stopped():
            break
    return running[0]


def _sets_of_few(
    search: Search,
    begin: Placements,
    seen: Sequence[Placements],
    moves: int,
    *,
    banned: int | None,
    end: float | None,
) -> list[Placements]:
    """Mixes of few moves, no two of which move the same units, the cheapest first.

    Beyond one that is found quickly they take half of the time until `end`, by `time.monotonic`,
    at the most.
    """
    now = time.monotonic()
    until = None if end is None else now + (end - now) / 2.0

    def left(keep: float = 0.0) -> float:
        if search.clock.stopped():
            return 0.0
        return np.inf if until is None else until - time.monotonic() - keep

    options = search.around(seen)
    for unit, one in enumerate(search.of_units(begin)):
        if one != search.options[unit].start or unit == banned:
            options[unit] = unit_settings([one])
    units, tracks = search.landscape(options, None)
    soft = UnitLandscape(tracks.penalised(SOFT_PENALTY), search.units)
    state = search.state_of(options, begin)
    favoured = [search.state_of(options, mix, state) for mix in seen]
    begins = [(state, moves)]
    # what is best so far with one of its units back: another may be worth more beside the rest
    own = np.flatnonzero(favoured[0] != state)
    if len(own) <= moves:
        for one_back in search.rng.permutation(own)[:ONE_BACK]:
            back = favoured[0].copy()
            back[one_back] = state[one_back]
            begins.append((back, moves - len(own) + 1))
    # however short the time: what the best mixes move, the best one after another
    found = []
    if not search.clock.stopped():
        known = [
            (int(unit), int(mix[unit]))
            for mix in favoured[:2]
            for unit in np.flatnonzero(mix != state)
        ]
        for chosen in beam_of_few(units, state, moves, known, most=1):
            found.append((units.cost(chosen), search.mix_of(options, chosen)))
    tried = promising(soft, state, favoured=favoured, left=left)
    beams = list(itertools.product((units, soft), begins))
    for number, (landscape, (first, more)) in enumerate(beams):
        keep = left() * (1.0 - 1.0 / (len(beams) - number))  # for the beams after this one
        for chosen in beam_of_few(landscape, first, more, tried, left=partial(left, keep)):
            found.append((units.cost(chosen), search.mix_of(options, chosen)))
    kept: dict[frozenset[int], Placements] = {}
    for _, mix in sorted(found, key=lambda pair: pair[0]):
        kept.setdefault(search.moved(mix), mix)
    return list(kept.values())


def _raced(search: Search, mix: Placements, begin: Placements, until: float | None) -> Placements:
    """A mix searched further by the units alone that it moves, in a few short rounds."""
    free = search.moved(mix) - search.moved(begin)
    for number in range(LEG_ROUNDS):
        now = time.monotonic()
        if not free or search.clock.stopped() or (number and until is not None and now >= until):
            break
        options, centre = search.alone(mix), search.of_units(mix)
        for unit in free:
            options[unit] = search.near(unit, centre[unit])
        units, _ = search.landscape(options, None)
        deadline = None
        if until is not None:
            share = (until - now) / (LEG_ROUNDS - number)
            deadline = min(until, now + max(LEAST_LEG * len(search.units), share))
        result = inner_search(
            units,
            search.state_of(options, mix),
            rng=search.rng,
            deadline=deadline,
            max_evaluations=LEG_EVALUATIONS * len(free),
            stop=search.clock.stopped,
        )
        search.evaluations += result.evaluations
        mix = search.mix_of(options, result.best_state)
    return mix


def _legs(running: Sequence[Placements]) -> int:
    """Legs of a race until one is left, and one of that alone."""
    return (len(running) - 1).bit_length() + 1
