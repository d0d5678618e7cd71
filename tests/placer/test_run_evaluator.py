"""What judges a cue: its reference, other geometries, memory, and the cache behind it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from placer.audio.loudness import integrated_loudness, true_peak_db
from placer.cost.kernel_mix import Options
from placer.cue.read import read_cue
from placer.cue.records import Cue, Placement
from placer.placement import cache
from placer.placement.kept import Kept
from placer.placement.layout import stereo_matrix
from placer.placement.measured import Measured
from placer.placement.options import Settings, TrackSteps, place_of, spread
from placer.placement.passages import read_passages
from placer.progress import Quiet
from placer.run import evaluator as module
from placer.run.evaluator import (
    Arrangement,
    Evaluator,
    KnownOptions,
    build,
    shared_space,
    with_shared,
)
from placer.run.ready import make_ready, survey_cue
from sim.decibel import amplitude

SPAN = (0.2, 2.8)
SEAT = (1.0, 2.5)


def places_at(evaluator: Evaluator) -> list[set[tuple[tuple[float, float] | None, bool]]]:
    """Places of the starts."""
    return [{place_of(one)} for one in evaluator.starts]


def moved(evaluator: Evaluator) -> tuple[Placement, ...]:
    """A mix that differs from the reference in every way."""
    low, high, horns, click = evaluator.starts
    return (
        dataclasses.replace(low, seat=SEAT, pan=-0.4, blend_db=(-6.0, 0.0, -8.0, -3.0)),
        dataclasses.replace(high, width=0.6, aligned=not high.aligned),
        dataclasses.replace(horns, blend_db=(0.0, -4.0), pan=0.3),
        click,
    )


def equal(one: Measured, other: Measured) -> None:
    """Fail unless two measurements are the same bit for bit."""
    for field in dataclasses.fields(one):
        np.testing.assert_array_equal(getattr(one, field.name), getattr(other, field.name))


def effort_of(evaluator: Evaluator, mix: tuple[Placement, ...]) -> float:
    """Cost of the changes that a hand must make for a mix."""
    return float(sum(evaluator.own.catalogue(i, [one]).effort[0] for i, one in enumerate(mix)))


def test_the_reference_holds_every_limit(small_evaluator: Evaluator) -> None:
    """Nothing is broken where nothing has moved, in the plain cost and in the compiled one."""
    reference = small_evaluator.reference
    assert reference.feasible
    assert sum(reference.violations.values()) == pytest.approx(0.0, abs=1e-9)
    landscape = small_evaluator.landscape(
        small_evaluator.own, [[one] for one in small_evaluator.starts]
    )
    state = np.zeros(4, dtype=np.int64)
    assert landscape.violation(state) == pytest.approx(0.0, abs=1e-4)
    # 1e-4: the compiled cost works in single precision
    assert landscape.cost(state) == pytest.approx(reference.total, abs=1e-4)
    assert effort_of(small_evaluator, small_evaluator.starts) == 0.0


def test_both_levels_agree_on_a_moved_mix(small_evaluator: Evaluator) -> None:
    """Compiled cost less its effort equals the plain breakdown, broken limits included."""
    mix = moved(small_evaluator)
    landscape = small_evaluator.landscape(
        small_evaluator.own, [[a, b] for a, b in zip(small_evaluator.starts, mix, strict=True)]
    )
    state = np.ones(4, dtype=np.int64)
    plain = small_evaluator.breakdown(small_evaluator.own, mix)
    effort = effort_of(small_evaluator, mix)
    assert landscape.cost(state) - effort == pytest.approx(plain.total, rel=1e-3)
    gains = [
        sum(a != b for a, b in zip(one.blend_db, two.blend_db, strict=True))
        for one, two in zip(small_evaluator.starts, mix, strict=True)
    ]
    # and seat and pan of low; width and delay of high; pan of the horns
    low, high, horns, still = np.array(gains) + [2, 2, 1, 0]
    assert still == 0 < min(high, horns)
    assert max(high, horns) <= module.FEW_SETTINGS < low
    settings = high + horns + low + (module.MANY - 1.0) * (low - module.FEW_SETTINGS)
    # shares of one of four tracks' part
    expected = (module.SETTING_EFFORT * settings + 3 * module.TRACK_EFFORT) / 4
    assert effort == pytest.approx(expected, rel=1e-6)
    assert plain.total != pytest.approx(small_evaluator.reference.total, abs=1e-3)


def test_loudness_of_the_reference_is_that_of_the_mixed_passage(
    small_evaluator: Evaluator,
) -> None:
    """The scene knows the loudness and peak of what is really mixed (1e-3: one gain a track)."""
    own = small_evaluator.own
    mix = np.zeros((2, own.passages[0].samples.shape[1]))
    for index, start in enumerate(small_evaluator.starts):
        gain = amplitude(float(own.heard(index, [start]).make_up_db[0]))
        sound = own.sound(index, place_of(start)).whole
        mix += gain * stereo_matrix(own.passages[index].layout, start) @ sound
    lufs, peak, _ = small_evaluator.scene.loudness
    assert lufs == pytest.approx(integrated_loudness(mix, own.cue.sample_rate), abs=1e-3)
    assert peak == pytest.approx(true_peak_db(mix, own.cue.sample_rate), abs=1e-3)


def test_a_contrast_limit_is_its_own_kernel(small_evaluator: Evaluator) -> None:
    """Held to no change of depth, a mix that comes nearer breaks it; the usual limits do not."""
    nearer = list(small_evaluator.starts)
    nearer[0] = dataclasses.replace(nearer[0], blend_db=(0.0, -12.0, -24.0, -24.0))
    kernel = small_evaluator.with_limits(0.1)
    state, options = np.zeros(4, dtype=np.int64), [[one] for one in nearer]
    held = small_evaluator.landscape(small_evaluator.own, options, kernel).violation(state)
    free = small_evaluator.landscape(small_evaluator.own, options).violation(state)
    assert held > free + 0.5
    assert np.isinf(small_evaluator.scene.limits.contrast_db)


def test_another_geometry_is_heard_by_other_arrays(
    small_evaluator: Evaluator, small_cue: Path
) -> None:
    """Dry tracks sound otherwise there, recorded ones as they are; the reference is the cue's own.

    Numbers that are the cue's own give the cue's own arrangement.
    """
    cue = small_evaluator.cue
    assert small_evaluator.at({}) is small_evaluator.own
    same = {"tree_spacing": cue.arrays.tree.spacing, "hall_distance": -cue.arrays.hall.y}
    assert small_evaluator.at(same) is small_evaluator.own
    small_evaluator.at({})
    other = small_evaluator.at({"tree_height": 4.0, "close_distance": 1.0})
    assert other is small_evaluator.at({"close_distance": 1.0, "tree_height": 4.0})
    assert other.cue.arrays.tree.height == 4.0
    assert other.cue.arrays.close.distance == 1.0
    place = place_of(small_evaluator.starts[0])
    here, there = small_evaluator.own.measured(0, place), other.measured(0, place)
    # 1 % of the largest: a tree a metre higher is heard
    assert np.abs(there.totals - here.totals).max() > 0.01 * np.abs(here.totals).max()
    recorded = place_of(small_evaluator.starts[2])
    equal(other.measured(2, recorded), small_evaluator.own.measured(2, recorded))
    moved_cost = small_evaluator.breakdown(other, small_evaluator.starts).total
    assert moved_cost != pytest.approx(small_evaluator.reference.total, rel=1e-6)
    assert small_evaluator.own.cue.arrays == read_cue(small_cue).arrays


def test_shared_numbers_are_put_where_they_belong(small_cue: Path) -> None:
    """Each name changes its own array; the hall is counted towards the hall.

    A study begins where the composer's own arrays are.
    """
    cue = read_cue(small_cue)
    changed = with_shared(
        cue, {"hall_distance": 5.0, "outrigger_spacing": 7.0, "tree_spacing": 2.0}
    )
    assert changed.arrays.hall.y == -5.0
    assert changed.arrays.outriggers.spacing == 7.0
    assert changed.arrays.tree == dataclasses.replace(cue.arrays.tree, spacing=2.0)
    assert changed.tracks == cue.tracks
    search = dataclasses.replace(cue.search, tree_spacing=(1.6, 2.0), close_distance=(1.0,))
    asked = dataclasses.replace(cue, search=search)
    own = (cue.arrays.tree.spacing, cue.arrays.close.distance)
    found = shared_space(asked)
    assert found.keys() == {"tree_spacing", "close_distance"}
    assert (found["tree_spacing"][0], found["close_distance"][0]) == own
    assert set(found["tree_spacing"]) == {own[0], 1.6, 2.0}
    assert set(found["close_distance"]) == {own[1], 1.0}
    assert shared_space(cue) == {}
    recorded = dataclasses.replace(asked, tracks=cue.tracks[2:])
    assert shared_space(recorded) == {}  # no array hears what brings its own positions


def test_what_is_let_go_is_found_again(small_cue: Path) -> None:
    """Passages are read again and geometries arranged again, to the same cost."""
    cue = read_cue(small_cue)
    passages = read_passages(cue, SPAN)
    evaluator = build(cue, passages)
    other = evaluator.at({"tree_height": 4.0})
    before = evaluator.breakdown(other, moved(evaluator)).total
    assert all(passage.held is not None for passage in passages)
    evaluator.let_go()
    assert all(passage.held is None for passage in passages)
    again = evaluator.at({"tree_height": 4.0})
    assert again is not other
    assert evaluator.breakdown(again, moved(evaluator)).total == before


def test_memory_is_bounded_at_every_moment(small_evaluator: Evaluator) -> None:
    """What was used longest ago goes first, all geometries together, and comes back the same."""
    own = small_evaluator.own
    seats = [((x, 2.5), False) for x in (0.0, 0.5, 1.0, 1.5)]
    one = own.measured(0, seats[0]).nbytes
    kept = Kept(3 * one)
    arranged, beside = (
        Arrangement(own.cue, own.passages, own.references, kept=kept) for _ in range(2)
    )
    for seat in seats[:3]:
        arranged.measured(0, seat)
    first = arranged.measured(0, seats[0])
    assert first is arranged.measured(0, seats[0])
    for seat in seats:
        beside.measured(0, seat)
        assert kept.nbytes <= 3 * one
    again = arranged.measured(0, seats[0])
    assert again is not first
    equal(again, first)
    assert beside.measured(0, seats[3]) is beside.measured(0, seats[3])
    beside.let_go()
    assert kept.nbytes == one
    kept.drop()
    assert kept.nbytes == 0
    Kept(0).put(0, 0, seats[0], first)  # one that is too large by itself is no error


def test_workers_share_the_bound(small_cue: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two processes have half of it each; the first one keeps nothing while they search."""
    surveyed = survey_cue(read_cue(small_cue), Quiet())
    alone = make_ready(surveyed, Quiet())
    starts = [alone.own.measured(i, place_of(one)).nbytes for i, one in enumerate(alone.starts)]
    assert alone.own.kept.nbytes == sum(starts)
    monkeypatch.setattr("placer.run.ready.MEASURED", sum(starts))
    assert make_ready(surveyed, Quiet()).own.kept.nbytes == sum(starts)
    shared = make_ready(surveyed, Quiet(), workers=2)
    assert 0 < shared.own.kept.nbytes <= sum(starts) / 2
    assert shared.reference.total == alone.reference.total
    shared.let_go()
    assert shared.own.kept.nbytes == 0
    assert shared.breakdown(shared.own, shared.starts).total == alone.reference.total


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Tracks that are really measured, in order."""
    found: list[int] = []
    real = Arrangement._measure

    def measure(self: Arrangement, index: int, place: object, *known: object) -> Measured:
        found.append(index)
        return real(self, index, place, *known)  # type: ignore[arg-type]

    monkeypatch.setattr(Arrangement, "_measure", measure)
    return found


@pytest.fixture
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PLACER_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


def test_a_second_build_is_the_first_bit_for_bit(
    small_cue: Path, own_cache: Path, counted: list[int]
) -> None:
    """From the cache comes what was measured, so that a run that goes on judges as before."""
    cue = read_cue(small_cue)
    first = build(cue, read_passages(cue, SPAN))
    assert sorted(counted) == [0, 1, 2, 3]
    counted.clear()
    second = build(cue, read_passages(cue, SPAN))
    assert counted == []
    for index, place in enumerate(places_at(first)):
        (one,) = place
        equal(first.own.measured(index, one), second.own.measured(index, one))
    np.testing.assert_array_equal(first.scene.importance, second.scene.importance)
    np.testing.assert_array_equal(first.envelopes.templates, second.envelopes.templates)
    assert first.scene.loudness == second.scene.loudness
    assert first.reference.total == second.reference.total
    mix = moved(first)
    assert first.breakdown(first.own, mix).total == second.breakdown(second.own, mix).total


def test_a_damaged_entry_is_measured_again(
    small_evaluator: Evaluator, own_cache: Path, counted: list[int]
) -> None:
    """What lies damaged on the disk is thrown away, and the same is measured in its place."""
    own = small_evaluator.own
    place = (SEAT, False)

    def fresh() -> Arrangement:
        return Arrangement(own.cue, own.passages, own.references)

    first = fresh().measured(0, place)
    (entry,) = own_cache.glob("*.npz")
    content = bytearray(entry.read_bytes())
    content[len(content) // 2] ^= 0xFF
    entry.write_bytes(bytes(content))
    equal(fresh().measured(0, place), first)
    equal(fresh().measured(0, place), first)
    assert counted == [0, 0]


def test_two_threads_measure_alike(small_evaluator: Evaluator, own_cache: Path) -> None:
    """Measured at once in two threads, places are what they are measured one after another."""
    own = small_evaluator.own
    wanted = [(index, (seat, False)) for seat in (SEAT, (0.0, 3.0)) for index in (0, 1, 0)]
    together = Arrangement(own.cue, own.passages, own.references)
    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(lambda one: together.measured(*one), wanted))
    for (index, place), one in zip(wanted, found, strict=True):
        equal(one, own._measure(index, place))


def seeded(cue: Cue) -> Cue:
    return dataclasses.replace(cue, search=dataclasses.replace(cue.search, seed=77))


def wider(cue: Cue) -> Cue:
    tracks = (dataclasses.replace(cue.tracks[0], source_width=2.5), *cue.tracks[1:])
    return dataclasses.replace(cue, tracks=tracks)


def longer(cue: Cue) -> Cue:
    return dataclasses.replace(cue, room=dataclasses.replace(cue.room, depth=13.0))


def higher(cue: Cue) -> Cue:
    return with_shared(cue, {"tree_height": 3.5})


@pytest.mark.parametrize("change", [seeded, wider, longer, higher])
def test_an_entry_depends_on_all_that_it_is_measured_of(
    small_evaluator: Evaluator, change: Callable[[Cue], Cue]
) -> None:
    """Seed, width of the section, room and arrays make other entries, for dry tracks alone."""
    own = small_evaluator.own
    other = Arrangement(change(own.cue), own.passages, own.references)
    place = (SEAT, False)
    assert other._description(0, place) != own._description(0, place)
    if change is not wider:
        assert other._description(2, (None, False)) == own._description(2, (None, False))


def test_an_entry_depends_on_stem_place_and_layout(small_evaluator: Evaluator) -> None:
    """Another stem, seat, alignment or layout is another entry; asked again it is the same."""
    own = small_evaluator.own
    keys = [
        cache.key(own._description(index, place))
        for index, place in (
            (0, (SEAT, False)), (0, (SEAT, True)), (0, ((1.0, 3.0), False)), (1, (SEAT, False)),
            (2, (None, False)),
        )
    ]  # fmt: skip
    assert len(set(keys)) == 5
    assert cache.key(own._description(0, (SEAT, False))) == keys[0]
    layout = dataclasses.replace(own.passages[2].layout, positions=("close", "far"))
    samples = own.passages[2].samples
    passage = module.Passage(samples, layout, own.cue.sample_rate, lambda: samples)
    renamed = Arrangement(own.cue, [*own.passages[:2], passage, own.passages[3]], own.references)
    assert cache.key(renamed._description(2, (None, False))) != keys[4]


def test_the_digest_follows_the_samples(small_cue: Path) -> None:
    """One sample of one stem that differs is another stem."""
    cue = read_cue(small_cue)
    passages = list(read_passages(cue, SPAN))
    samples = passages[0].samples.copy()
    samples[0, 1000] += 1e-3
    other = module.Passage(samples, passages[0].layout, cue.sample_rate, lambda: samples)
    changed = [other, *passages[1:]]
    first, second = (
        [one.digest for one in build(cue, some).own.references] for some in (passages, changed)
    )
    assert first[0] != second[0]
    assert len(set(first)) == 4


@pytest.mark.parametrize("most", [1, 4, 100])
def test_known_options_are_those_of_anew(small_evaluator: Evaluator, most: int) -> None:
    """Whatever was asked before, twice or in other company, however few are kept."""
    track, worked_out = small_evaluator.cue.tracks[0], list[int]()
    known, rng = KnownOptions(), np.random.default_rng(5)
    places = [place_of(track.start)]

    def work_out(some: Settings) -> Options:
        worked_out.append(len(some))
        return small_evaluator.kernel.options(small_evaluator.own.catalogue(0, some), 0)

    offered = spread(TrackSteps(track), places, count=12, trim_db=0.0, rng=rng)
    for rows in ([0, 1, 2], [2, 2, 5], [7, 8, 9, 10, 11, 0], [5, 1]):
        some = offered.take(np.array(rows))
        found = known.options(some, work_out, most)
        for one, two in zip(found, work_out(some), strict=True):
            # 1e-5: single precision in other company
            np.testing.assert_allclose(one, two, rtol=1e-5, atol=1e-7)
    asked = sum(worked_out) - 14  # less what was worked out to compare with
    assert asked == {1: 13, 4: 12, 100: 9}[most]
