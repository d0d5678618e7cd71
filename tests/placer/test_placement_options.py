"""Every placement on offer is one that the composer allows and a hand can set."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from placer.cue.records import LOCKS, OFF_DB, Placement, Track, TrackLimits
from placer.placement.layout import DRY_LAYOUT
from placer.placement.measured import Measured
from placer.placement.options import (
    GAIN_STEP_DB,
    PAN_STEP,
    WIDTH_STEP,
    Place,
    TrackSteps,
    around,
    changes,
    in_places,
    measure,
    place_of,
    seat_distances,
    spread,
)
from sim.decibel import energy

SEATS = ((0.0, 3.0), (1.0, 3.0), (2.0, 4.0), (-3.0, 5.0))
RECORDED = ("close", "tree", "hall")
SETTINGS = ("seat", "blend_db", "pan", "width", "aligned")


def places_of(track: Track) -> list[Place]:
    seats = SEATS if track.kind == "dry" else (None,)
    return [(seat, aligned) for seat in seats for aligned in (False, True)]


@st.composite
def tracks(draw: st.DrawFn) -> Track:
    """Tracks of both kinds with any limits and locks."""
    kind = draw(st.sampled_from(["dry", "recorded"]))
    positions = DRY_LAYOUT.positions if kind == "dry" else RECORDED
    low = draw(st.floats(-40.0, -6.0))
    pan = sorted(draw(st.tuples(st.floats(-1, 1), st.floats(-1, 1))))
    width = sorted(draw(st.tuples(st.floats(0, 1.5), st.floats(0, 1.5))))
    gain = st.one_of(st.just(OFF_DB), st.floats(low, 0.0))
    gains = draw(st.lists(gain, min_size=len(positions), max_size=len(positions)))
    if all(one <= OFF_DB for one in gains):
        gains[0] = 0.0
    start = Placement(
        seat=draw(st.sampled_from(SEATS)) if kind == "dry" else None,
        blend_db=tuple(gains),
        pan=draw(st.floats(*pan)),
        width=draw(st.floats(*width)),
        aligned=draw(st.booleans()),
    )
    return Track(
        name="any", kind=kind, files=(), positions=positions, section="celli", role="bed",
        start=start,
        limits=TrackLimits(
            area=(-4.0, 4.0, 1.0, 8.0), gain_db=(low, draw(st.floats(0.0, 6.0))),
            pan=tuple(pan), width=tuple(width),
        ),
        locks=draw(st.sets(st.sampled_from(LOCKS)).map(frozenset)),
    )  # fmt: skip


def on_a_step(value: float, base: float, step: float) -> bool:
    """Whether a value lies whole steps from a base (1e-5: values are rounded to 1e-6)."""
    return abs((value - base) / step - round((value - base) / step)) < 1e-4


def keeps_to(track: Track, placement: Placement, most_gain_db: float) -> None:
    """Fail unless a placement is the start, or inside limits and locks and on a hand's steps."""
    start, limits = track.start, track.limits
    if placement == start:
        return
    for lock, name in (
        ("seat", "seat"), ("blend", "blend_db"), ("pan", "pan"), ("width", "width"),
        ("delay", "aligned"),
    ):  # fmt: skip
        if lock in track.locks:
            assert getattr(placement, name) == getattr(start, name), name
    assert placement.seat in ((*SEATS, start.seat) if track.kind == "dry" else (None,))
    for value, base, step, (low, high) in (
        (placement.pan, start.pan, PAN_STEP, limits.pan),
        (placement.width, start.width, WIDTH_STEP, limits.width),
    ):
        assert low - 1e-6 <= value <= high + 1e-6
        assert on_a_step(value, base, step)
    if placement.blend_db == start.blend_db:
        return
    low, high = limits.gain_db
    assert any(gain > OFF_DB for gain in placement.blend_db)
    for gain, first in zip(placement.blend_db, start.blend_db, strict=True):
        base = first if first > OFF_DB else low
        if gain > OFF_DB:
            assert low - 1e-6 <= gain <= high + 1e-6
            assert abs(gain - base) <= most_gain_db + 1e-6
            assert on_a_step(gain, base, GAIN_STEP_DB)


@settings(max_examples=60, deadline=None)
@given(
    track=tracks(),
    seed=st.integers(0, 1000),
    trim=st.sampled_from([0.0, 2.0]),
    most=st.sampled_from([60.0, 10.0, 2.0]),
)
def test_proposals_keep_to_limits_locks_and_steps(
    track: Track, seed: int, trim: float, most: float
) -> None:
    """The reference first, each once; what is locked stays, what is free keeps to its limits."""
    rng, hand, places = np.random.default_rng(seed), TrackSteps(track, most), places_of(track)
    offered = spread(hand, places, count=30, trim_db=trim, rng=rng)
    near = around(hand, in_places(offered[-1], places), count=30, rng=rng)
    for found in (offered, near):
        assert found[0] == track.start
        assert len(set(found)) == len(found) <= 32
        for placement in found:
            keeps_to(track, placement, most)
            assert placement.trim_db in (-trim, 0.0, trim)
    if set(track.locks) != set(LOCKS):
        assert offered[-1] == track.start or near[1] == offered[-1]


def dry_track() -> Track:
    """A free dry track."""
    return Track(
        name="any", kind="dry", files=(), positions=DRY_LAYOUT.positions, section="celli",
        role="bed", start=Placement((0.0, 3.0), (OFF_DB, 0.0, -4.0, -7.0)),
        limits=TrackLimits((-4, 4, 1, 8)),
    )  # fmt: skip


def test_around_offers_every_setting_alone() -> None:
    """With room for all: each setting in small and large steps, off, and back to the start."""
    hand, track = TrackSteps(dry_track()), dry_track()
    centre = replace(track.start, blend_db=(-6.0, 0.0, -4.0, -7.0), pan=0.3, width=0.7)
    near = in_places(centre, places_of(track))
    found = list(around(hand, near, count=400, rng=np.random.default_rng(0)))
    assert found[:2] == [track.start, centre]
    alone = [
        [getattr(one, name) != getattr(centre, name) for name in SETTINGS] for one in found[2:]
    ]
    assert np.all(np.sum([one for one in alone if sum(one) == 1], axis=0) >= 1)
    for back in (
        replace(centre, pan=0.0), replace(centre, width=1.0), replace(centre, pan=-0.3),
        replace(centre, blend_db=(OFF_DB, 0.0, -4.0, -7.0)),
        replace(centre, blend_db=(-6.0, 0.0, OFF_DB, -7.0)),
        replace(centre, blend_db=(-5.0, 0.0, -4.0, -7.0)), replace(centre, pan=0.35),
        replace(centre, seat=(2.0, 4.0)), replace(centre, aligned=True),
    ):  # fmt: skip
        assert back in found


def test_spread_reaches_far() -> None:
    """Over everything: nearer and farther by more than 6 dB, to both sides, to every seat."""
    track = dry_track()
    track = replace(track, start=replace(track.start, blend_db=(-13.0, 0.0, -4.0, -7.0)))
    found = spread(
        TrackSteps(track), places_of(track), count=200, trim_db=0.0, rng=np.random.default_rng(1)
    )
    assert len(found) > 150
    close = np.array([one.blend_db[0] - max(one.blend_db[1:]) for one in found])
    pans = [one.pan for one in found]
    assert np.ptp(close[close > -50.0]) > 12.0
    assert min(pans) < -0.7 < 0.7 < max(pans)
    assert {one.seat for one in found} == set(SEATS)


def test_changes_count_the_moves_of_a_hand() -> None:
    """Each fader, knob, seat and delay that differs is one; trim is made up for by the tool."""
    track = dry_track()
    start = track.start
    assert changes(track, [start]) == 0
    assert changes(track, [replace(start, pan=0.1)]) == 1
    assert changes(track, [replace(start, blend_db=(-6.0, 0.0, -5.0, -7.0))]) == 2
    every = Placement((1.0, 3.0), (-1.0, -1.0, -1.0, -1.0), pan=0.1, width=0.9, aligned=True)
    assert changes(track, [every]) == 8


def test_distance_from_usual_seating() -> None:
    """Metres on the stage, and five for a full pan, of a dry and of a recorded track."""
    track = dry_track()
    moved = replace(track.start, seat=(3.0, 7.0))
    assert list(seat_distances(track, (track.start, moved))) == [0.0, 5.0]
    turned, both = replace(track.start, pan=1.0), replace(moved, pan=-1.0)
    assert seat_distances(track, (turned, both)) == pytest.approx([5.0, 50.0**0.5])
    recorded = replace(
        track, kind="recorded", positions=RECORDED, start=Placement(None, (0.0, 0.0, 0.0))
    )
    panned = Placement(None, (0.0, 0.0, 0.0), pan=-0.5)
    assert list(seat_distances(recorded, (panned,))) == [2.5]


def noise_measured(seed: int) -> Measured:
    """Something measured that no real sound could give: fits may end below what is possible."""
    rng = np.random.default_rng(seed)
    pairs = DRY_LAYOUT.count**2

    def some(*shape: int) -> np.ndarray:
        return rng.standard_normal(shape).astype(np.float32)

    return Measured(
        early=some(pairs, 39, 2), late=some(pairs, 39, 2), totals=some(3, pairs, 39),
        thirds=some(pairs, 11), blocks=some(pairs, 9), close_delay=0.0,
    )  # fmt: skip


def test_covariances_are_possible() -> None:
    """However a Gram was fitted, no option has negative energy or coherence above 1."""
    track = dry_track()
    places = {place: noise_measured(number) for number, place in enumerate(places_of(track))}
    placements = spread(
        TrackSteps(track), list(places), count=50, trim_db=0.0, rng=np.random.default_rng(8)
    )
    found = measure(DRY_LAYOUT, places, placements, 1.0)
    for part in (found.early[..., 0], found.late[..., 1], found.thirds, *found.totals):
        assert part[:, :2].min() >= 0.0
        assert part[:, :2].max() > 0.0
        coherence = np.hypot(part[:, 2], part[:, 3])
        assert np.all(coherence <= np.sqrt(part[:, 0] * part[:, 1]) * (1 + 1e-5))


def test_placements_are_measured_alike_in_any_company() -> None:
    """Order and company of the placements change nothing; trim raises all energies by its dB."""
    track = dry_track()
    places = {place: noise_measured(number) for number, place in enumerate(places_of(track))}
    placements = spread(
        TrackSteps(track), list(places), count=20, trim_db=0.0, rng=np.random.default_rng(9)
    )
    assert len({place_of(one) for one in placements}) > 4
    every = measure(DRY_LAYOUT, places, placements, 2.5)
    order = np.random.default_rng(1).permutation(len(placements))
    shuffled = measure(DRY_LAYOUT, places, [placements[i] for i in order], 2.5)
    np.testing.assert_allclose(shuffled.early, every.early[order], rtol=1e-4, atol=1e-6)
    np.testing.assert_allclose(shuffled.totals, every.totals[:, order], rtol=1e-4, atol=1e-6)
    np.testing.assert_allclose(shuffled.make_up_db, every.make_up_db[order], atol=1e-4)
    trimmed = measure(DRY_LAYOUT, places, [replace(placements[3], trim_db=1.5)], 2.5)
    np.testing.assert_allclose(
        trimmed.thirds[0], every.thirds[3] * energy(1.5), rtol=1e-4, atol=1e-5
    )


def test_a_place_that_was_not_measured_is_refused() -> None:
    """Nothing is made up for a seat that nobody has listened to."""
    with pytest.raises(KeyError, match=r"0\.0, 3\.0"):
        measure(DRY_LAYOUT, {}, [dry_track().start], 1.0)
