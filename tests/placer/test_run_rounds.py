"""A whole search of the small cue: repeatable, within limits at every step, held to its word."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from placer.cue.read import read_cue
from placer.cue.records import RUNGS, Cue
from placer.placement.options import place_of
from placer.placement.passages import read_passages
from placer.run import polish, rounds
from placer.run.evaluator import Evaluator, build
from placer.run.few_moves import _sets_of_few
from placer.run.kept_moves import NO_ANSWERS
from placer.run.ladder import WORTH_MORE, Ladder, Rung, Rungs, search_rungs
from placer.run.polish import polished
from placer.run.rounds import Budget, Search
from placer.run.standing import Standing
from placer.run.unit_options import units_of
from placer.search.path import HELD_DB

pytestmark = pytest.mark.usefixtures("quick")


def evaluator_of(path: Path, change: Callable[[Cue], Cue] = lambda cue: cue) -> Evaluator:
    """An evaluator of its own, over the cache that all share."""
    cue = change(read_cue(path))
    return build(cue, read_passages(cue, (0.2, 2.8)))


def settings(**values: object) -> Callable[[Cue], Cue]:
    """Other settings of the search."""
    return lambda cue: replace(cue, search=replace(cue.search, **values))  # type: ignore[arg-type]


def searched(evaluator: Evaluator, seed: int = 1, **budget: object) -> Rungs:
    return search_rungs(evaluator, evaluator.own, seed=seed, budget=Budget(**budget))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def found(small_cue: Path) -> tuple[Evaluator, Rungs]:
    """One short search, its shortest path of one move: several rungs."""
    from tests.conftest import shorten

    with pytest.MonkeyPatch.context() as patch:
        shorten(patch)
        evaluator = evaluator_of(small_cue, settings(moves=1))
        return evaluator, searched(evaluator)


def test_same_seed_same_rungs(small_cue: Path, found: tuple[Evaluator, Rungs]) -> None:
    """Without a clock a search repeats itself, also in an evaluator that has searched before.

    Another seed goes another way.
    """
    evaluator, first = found
    assert searched(evaluator_of(small_cue, settings(moves=1))) == first
    other = searched(evaluator, seed=2)
    assert other != first
    assert searched(evaluator) == first
    assert first.evaluations > 1000


def test_rungs_are_worth_their_effort(found: tuple[Evaluator, Rungs]) -> None:
    """In order, each better than the reference, and their cost is the cost of their mix."""
    evaluator, rungs = found
    names = [rung.name for rung in rungs.rungs]
    assert len(names) >= 2
    assert names == [name for name in RUNGS if name in names]
    for rung in rungs.rungs:
        assert rung.cost < evaluator.reference.total
        assert evaluator.breakdown(evaluator.own, rung.placements).total == rung.cost
        assert rung.steps
    gains = [evaluator.reference.total - rung.cost for rung in rungs.rungs if rung.name != "other"]
    for number, gain in enumerate(gains[1:], 1):
        assert gain > (1.0 + WORTH_MORE) * max(gains[:number])  # clearly more than with less effort
    assert not rungs.rungs[0].nested


def test_every_prefix_of_every_rung_holds_all_limits(found: tuple[Evaluator, Rungs]) -> None:
    """Whoever stops after any move has a mix that breaks nothing and beats the mix before it.

    Cost with the effort of a hand, since that is what a move must be worth.
    """
    evaluator, rungs = found
    members = units_of(evaluator.cue).members
    prefixes = 0
    for rung in rungs.rungs:
        mix = list(evaluator.starts)
        options = [[a, b] for a, b in zip(mix, rung.placements, strict=True)]
        kernel = evaluator.with_limits(evaluator.cue.search.contrast_db)
        landscape = evaluator.landscape(evaluator.own, options)
        state = np.zeros(len(mix), dtype=np.int64)
        cost = landscape.cost(state)
        for step in rung.steps:
            for unit in step:
                state[list(members[unit])] = 1
            assert landscape.violation(state) <= HELD_DB + 1e-4
            if rung.name in ("few", "some"):
                assert landscape.cost(state) < cost
                cost = landscape.cost(state)
            prefixes += 1
        reached = [some[k] for some, k in zip(options, state, strict=True)]
        assert tuple(reached) == rung.placements
        held = evaluator.landscape(evaluator.own, options, kernel)
        if rung.name == "contrast":
            assert held.violation(state) <= HELD_DB + 1e-4
        if rung.name == "clearest":  # one that holds the depth is a better contrast, and no other
            assert held.violation(state) > HELD_DB
    assert prefixes >= 3


def test_nested_rungs_go_on_from_the_one_before(found: tuple[Evaluator, Rungs]) -> None:
    """A nested path begins with the path before it and leaves those moves as they are."""
    evaluator, rungs = found
    below = None
    for rung in rungs.rungs:
        if rung.nested:
            assert below is not None
            assert rung.steps[: len(below.steps)] == below.steps
            for one, start, there in zip(
                below.placements, evaluator.starts, rung.placements, strict=True
            ):
                assert one in (start, there)
        if rung.name in ("few", "some"):
            below = rung


@pytest.mark.parametrize("moves", [1, 2])
def test_the_number_of_moves_is_kept(small_cue: Path, moves: int) -> None:
    """`moves = N` bounds the units of the shortest path, and twice as many those of the next."""
    evaluator = evaluator_of(small_cue, settings(moves=moves, rungs=("few", "some")))
    rungs = {rung.name: rung for rung in searched(evaluator).rungs}
    assert "few" in rungs
    for name, most in (("few", moves), ("some", 2 * moves)):
        if name in rungs:
            units = [unit for step in rungs[name].steps for unit in step]
            assert len(units) <= most
            changed = sum(
                a != b for a, b in zip(evaluator.starts, rungs[name].placements, strict=True)
            )
            assert changed == len(units)


def test_only_the_rungs_that_are_asked_for(small_cue: Path) -> None:
    """The cue file chooses."""
    evaluator = evaluator_of(small_cue, settings(rungs=("clearest",)))
    assert [rung.name for rung in searched(evaluator).rungs] == ["clearest"]


def test_locked_tracks_never_move(small_cue: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What stays, stays; a locked setting stays; the fixed track stays.

    Moves cost no effort here: so little may move that it would not be worth a hand's work.
    """
    for name in ("SETTING_EFFORT", "TRACK_EFFORT"):
        monkeypatch.setattr(f"placer.run.evaluator.{name}", 0.0)

    def locked(cue: Cue) -> Cue:
        low, high, *rest = cue.tracks
        every = frozenset(("seat", "blend", "pan", "width", "delay"))
        low = replace(low, locks=every)
        high = replace(high, locks=frozenset(("seat", "pan")))
        return replace(cue, tracks=(low, high, *rest))

    evaluator = evaluator_of(small_cue, locked)
    rungs = searched(evaluator).rungs
    assert rungs
    for rung in rungs:
        assert rung.placements[0] == evaluator.starts[0]
        assert rung.placements[3] == evaluator.starts[3]
        assert rung.placements[1].seat == evaluator.starts[1].seat
        assert rung.placements[1].pan == evaluator.starts[1].pan
    assert rungs[-1].placements != evaluator.starts


def test_a_bus_moves_as_one(small_cue: Path) -> None:
    """Two tracks of one bus turn alike in every rung, and a step names their unit once."""

    def bussed(cue: Cue) -> Cue:
        tracks = [replace(track, bus="strings") for track in cue.tracks[:2]]
        return replace(cue, tracks=(*tracks, *cue.tracks[2:]))

    evaluator = evaluator_of(small_cue, bussed)
    rungs = searched(evaluator).rungs
    low, high = evaluator.starts[:2]
    moved = 0
    for rung in rungs:
        one, other = rung.placements[:2]
        assert one.aligned == other.aligned
        assert np.subtract(one.seat, low.seat) == pytest.approx(np.subtract(other.seat, high.seat))
        by = [a - b for a, b in zip(one.blend_db, low.blend_db, strict=True)]
        same = [a - b for a, b in zip(other.blend_db, high.blend_db, strict=True)]
        off = any(gain <= -60.0 for gain in (*one.blend_db, *other.blend_db))
        assert off or by == pytest.approx(same, abs=1e-5)
        moved += (one != low) + (other != high)
        assert all(unit < 3 for step in rung.steps for unit in step)
    assert rungs
    assert moved % 2 == 0


def test_a_stop_ends_at_once_and_keeps_what_it_has(
    small_cue: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped before it begins it gives what little it has; stopped later, the best so far."""
    evaluator = evaluator_of(small_cue)
    begun = time.monotonic()
    nothing = searched(evaluator, stop=lambda: True)
    assert time.monotonic() - begun < 10.0
    assert all(rung.cost < evaluator.reference.total for rung in nothing.rungs)
    monkeypatch.setattr(rounds, "TOLD", 0.2)
    told: list[Standing] = []
    stopped = False

    def seen(progress: Standing) -> None:
        nonlocal stopped
        told.append(progress)
        stopped = len(told) >= 3

    begun = time.monotonic()
    later = search_rungs(
        evaluator, evaluator.own, seed=1, budget=Budget(60.0, lambda: stopped), progress=seen
    )
    assert time.monotonic() - begun < 30.0  # of the 60 s that it had
    assert later.rungs
    assert later.rungs[-1].cost < evaluator.reference.total
    assert all(0.0 < one.audible < 1.0 and one.moved <= 4 for one in told)
    counts = [one.evaluations for one in told]
    assert 0 < counts[0] <= counts[-1]


@pytest.mark.slow
def test_time_is_kept(small_cue: Path) -> None:
    """Five seconds are five seconds, to within ten for the last round and the order of moves."""
    evaluator = evaluator_of(small_cue)
    searched(evaluator, stop=lambda: True)  # compiled
    begun = time.monotonic()
    rungs = searched(evaluator, seconds=5.0)
    took = time.monotonic() - begun
    assert 3.0 < took < 15.0
    assert rungs.rungs


def test_a_search_that_begins_too_late_still_walks(
    small_cue: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Measuring a large template may take all the time: its first round walks, the others do not.

    A template of sixty tracks, given a thousandth of a second, had three times out of three no mix
    at all before, and now has one of few moves each time.
    """
    left = list[float]()
    walked = Search._walked

    def seen(search: Search, *given: Any) -> Any:
        left.append(given[-1] - time.monotonic())
        return walked(search, *given)

    monkeypatch.setattr(Search, "_walked", seen)
    evaluator = evaluator_of(small_cue)
    assert searched(evaluator, seconds=1e-3).rungs
    assert left[0] > 0.9 * rounds.LEAST_SECONDS
    assert max(left[1:]) <= 0.0


def test_few_moves_are_found_without_time(found: tuple[Evaluator, Rungs]) -> None:
    """Where no time is left for a beam, the best of what a good mix moves are still there."""
    evaluator, rungs = found
    search = Search(
        evaluator,
        evaluator.own,
        rng=np.random.default_rng(0),
        budget=Budget(),
        answers=NO_ANSWERS,
        progress=None,
    )
    good = rungs.rungs[-1].placements
    assert len(search.moved(good)) > 1
    past = time.monotonic() - 1.0
    mixes = _sets_of_few(search, search.begin, [search.begin, good], 1, banned=None, end=past)
    best = min(mixes, key=search.cost)
    assert len(search.moved(best)) == 1
    assert search.moved(best) <= search.moved(good)
    assert search.cost(best) < search.cost(search.begin)


def test_seats_are_measured_on_the_way(found: tuple[Evaluator, Rungs]) -> None:
    """New seats and alignments are looked at, those of the starts kept."""
    evaluator, _ = found
    for index, start in enumerate(evaluator.starts[:2]):
        places = [place for _, track, place in evaluator.own.kept._found if track == index]
        assert len(places) > 2
        assert place_of(start) in places


def test_a_polish_leaves_no_single_change_that_helps(
    found: tuple[Evaluator, Rungs], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Polished for as long as it likes, no setting of a free unit is better elsewhere.

    What is not free stays, and what is polished again stays too.
    """
    evaluator, rungs = found
    monkeypatch.setattr(polish, "MOST_POLISHING", 100)
    search = Search(
        evaluator, evaluator.own, rng=np.random.default_rng(1),
        budget=Budget(), answers=NO_ANSWERS, progress=None,
    )  # fmt: skip
    best = rungs.rungs[-1].placements
    begin = tuple(replace(one, pan=0.0, width=1.0) for one in best[:2]) + best[2:]
    for known, one in zip(search.known, begin, strict=True):
        known[place_of(one)] = None
    mix = polished(search, begin, (0, 1))
    assert mix[2:] == begin[2:]
    cost = search.cost(mix)
    assert cost < search.cost(begin)
    for unit in (0, 1):
        options = search.alone(mix)
        options[unit] = search.options[unit].singles(search.of_units(mix)[unit])
        units, _ = search.landscape(options, None)
        states = np.zeros((len(options[unit]), len(options)), dtype=np.int64)
        states[:, unit] = np.arange(len(states))
        assert len(states) > 20
        assert units.costs(states).min() >= cost * (1.0 - 1e-6)
    assert polished(search, mix, (0, 1)) == mix


def test_the_better_of_two_mixes_of_few_moves_comes_first(
    found: tuple[Evaluator, Rungs],
) -> None:
    """Where the other way gains more, it is the one that the path goes on from."""
    evaluator, _ = found
    start = evaluator.starts
    one = Rung("few", start, cost=0.9, steps=((0,),), nested=False)
    two = Rung("other", start, cost=0.8, steps=((1,), (2,)), nested=False)
    search = Search(
        evaluator, evaluator.own, rng=np.random.default_rng(1),
        budget=Budget(), answers=NO_ANSWERS, progress=None,
    )  # fmt: skip
    ladder = Ladder(search, [])
    ladder.rungs["few"] = one
    left = ladder._better_first(two)
    assert (left.name, left.cost) == ("other", 0.9)
    assert list(ladder.rungs) == ["few"]
    assert (ladder.rungs["few"].name, ladder.rungs["few"].steps) == ("few", ((1,), (2,)))
    assert ladder._steps == ((1,), (2,))
    assert ladder._better_first(one) is one
