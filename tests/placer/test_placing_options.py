"""Every placement on offer is one the composer allows, and measures what mixing would give."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from placer.placing.options import measure, nearby, propose, seat_distances
from placer.placing.table import SourceSound, TrackTable, Variant

from placer.cue.records import LOCKS, OFF_DB, Placement, Track, TrackLimits
from placer.placement.layout import DRY_LAYOUT, Layout, pack_gram, stereo_matrix

SEATS = ((0.0, 3.0), (1.0, 3.0), (2.0, 4.0), (-3.0, 5.0))
RECORDED = Layout(("close", "tree", "hall"), (1, 2, 2))


def gram_of(channels: np.ndarray) -> np.ndarray:
    """Packed Gram of complex channel spectra (channel, band, bin): (P, band)."""
    return pack_gram(np.einsum("cbk,dbk->cdb", channels, channels.conj()))


def table_and_spectra(
    layout: Layout, variants: tuple[Variant, ...], seed: int
) -> tuple[TrackTable, list[np.ndarray]]:
    """A table of random channel spectra, and those spectra: (channel, band, bin) a variant."""
    rng = np.random.default_rng(seed)
    shape = (layout.count, 39, 5)
    spectra = [rng.standard_normal(shape) + 1j * rng.standard_normal(shape) for _ in variants]
    grams = np.stack([gram_of(one) for one in spectra])
    source = SourceSound(
        envelope=np.ones((39, 4)),
        late_envelope=np.ones((39, 4)),
        power=np.ones(39),
        third_power=np.ones(11),
        k_power=2.5,
    )
    table = TrackTable(
        layout=layout,
        source=source,
        variants=variants,
        early=grams.astype(np.float32),
        late=0.5 * grams.astype(np.float32),
        thirds=grams[..., :11].astype(np.float32),
        loudness=grams.sum(axis=-1),
    )
    return table, spectra


DRY_VARIANTS = tuple(
    Variant(seat, aligned, 0.004 if aligned else 0.0) for seat in SEATS for aligned in (False, True)
)
DRY_TABLE, DRY_SPECTRA = table_and_spectra(DRY_LAYOUT, DRY_VARIANTS, 1)
TAKEN = (
    Variant(None, aligned=False, close_delay=0.0),
    Variant(None, aligned=True, close_delay=0.01),
)
RECORDED_TABLE, RECORDED_SPECTRA = table_and_spectra(RECORDED, TAKEN, 2)


@st.composite
def tracks(draw: st.DrawFn) -> Track:
    """Tracks of both kinds with any limits and locks."""
    kind = draw(st.sampled_from(["dry", "recorded"]))
    positions = DRY_LAYOUT.positions if kind == "dry" else RECORDED.positions
    low = draw(st.floats(-40.0, -6.0))
    pan = sorted(draw(st.tuples(st.floats(-1, 1), st.floats(-1, 1))))
    width = sorted(draw(st.tuples(st.floats(0, 1.5), st.floats(0, 1.5))))
    start = Placement(
        seat=draw(st.sampled_from(SEATS)) if kind == "dry" else None,
        blend_db=tuple(
            draw(st.lists(st.floats(low, 0.0), min_size=len(positions), max_size=len(positions)))
        ),
        pan=draw(st.floats(*pan)),
        width=draw(st.floats(*width)),
        aligned=draw(st.booleans()),
    )
    return Track(
        name="any",
        kind=kind,
        files=(),
        positions=positions,
        section="celli",
        role="bed",
        start=start,
        limits=TrackLimits(
            area=(-4.0, 4.0, 1.0, 8.0), gain_db=(low, draw(st.floats(0.0, 6.0))),
            pan=tuple(pan), width=tuple(width),
        ),
        locks=draw(st.sets(st.sampled_from(LOCKS)).map(frozenset)),
    )  # fmt: skip


def keeps_to(track: Track, placement: Placement) -> None:
    """Fail unless a placement is allowed: the start itself, or inside every limit and lock."""
    start, limits = track.start, track.limits
    if placement == start:
        return
    for lock, name in (
        ("seat", "seat"), ("blend", "blend_db"), ("pan", "pan"), ("width", "width"),
        ("delay", "aligned"),
    ):  # fmt: skip
        if lock in track.locks:
            assert getattr(placement, name) == getattr(start, name), name
    if "pan" not in track.locks:
        assert limits.pan[0] <= placement.pan <= limits.pan[1]
    if "width" not in track.locks:
        assert limits.width[0] <= placement.width <= limits.width[1]
    if "blend" not in track.locks:
        low, high = limits.gain_db
        sounding = [gain for gain in placement.blend_db if gain > OFF_DB]
        assert sounding
        assert all(low <= gain <= high for gain in sounding)


@settings(max_examples=60, deadline=None)
@given(track=tracks(), seed=st.integers(0, 1000), trim=st.sampled_from([0.0, 2.0]))
def test_options_keep_to_limits_and_locks(track: Track, seed: int, trim: float) -> None:
    """Whatever is locked stays as it was; whatever is free stays inside its limits."""
    table = DRY_TABLE if track.kind == "dry" else RECORDED_TABLE
    rng = np.random.default_rng(seed)
    offered = propose(track, table, count=40, trim_db=trim, rng=rng)
    around = nearby(track, table, offered[-1], count=40, rng=rng)
    for found in (offered, around):
        assert found[0] == track.start
        assert len(set(found)) == len(found)
        for placement in found:
            keeps_to(track, placement)
            assert placement.trim_db in (-trim, 0.0, trim)
            table.find((placement,))
    assert around[1:2] in ((offered[-1],), ()) or offered[-1] == track.start


@pytest.mark.parametrize("held", [{"fixed": True}, {"locks": frozenset(LOCKS)}])
def test_a_track_that_stays_has_one_option(held: dict) -> None:
    """What is fixed or stays is where it was, as loud as it was."""
    start = Placement((0.0, 3.0), (0.0, -3.0, -6.0, -9.0))
    track = Track(
        name="any", kind="dry", files=(), positions=DRY_LAYOUT.positions, section="celli",
        role="bed", start=start, limits=TrackLimits((-4, 4, 1, 8)), **held,
    )  # fmt: skip
    rng = np.random.default_rng(0)
    assert propose(track, DRY_TABLE, count=50, trim_db=2.0, rng=rng) == (start,)
    assert nearby(track, DRY_TABLE, start, count=50, rng=rng) == (start,)


def dry_track() -> Track:
    """A free dry track."""
    return Track(
        name="any", kind="dry", files=(), positions=DRY_LAYOUT.positions, section="celli",
        role="bed", start=Placement((0.0, 3.0), (0.0, -3.0, -6.0, -9.0)),
        limits=TrackLimits((-4, 4, 1, 8)),
    )  # fmt: skip


def recorded_track() -> Track:
    """A free recorded track."""
    return replace(
        dry_track(), kind="recorded", positions=RECORDED.positions,
        start=Placement(None, (0.0, 0.0, 0.0)),
    )  # fmt: skip


@pytest.mark.parametrize("kind", ["dry", "recorded"])
def test_a_look_up_is_what_mixing_gives(kind: str) -> None:
    """Quadratic forms on packed Grams equal the covariance of really mixed channel spectra."""
    dry = kind == "dry"
    track = dry_track() if dry else recorded_track()
    table, spectra = (DRY_TABLE, DRY_SPECTRA) if dry else (RECORDED_TABLE, RECORDED_SPECTRA)
    rng = np.random.default_rng(5)
    placements = propose(track, table, count=60, trim_db=1.5, rng=rng)
    found = measure(track, table, placements)
    for index, placement in enumerate(placements):
        variant = [
            k for k, v in enumerate(table.variants)
            if (v.seat, v.aligned) == (placement.seat, placement.aligned)
        ]  # fmt: skip
        assert found.variants[index] == variant[0]
        left, right = np.einsum(
            "sc,cbk->sbk", stereo_matrix(table.layout, placement), spectra[variant[0]]
        )
        cross = np.sum(left * right.conj(), axis=-1)
        mixed = np.stack(
            [np.sum(np.abs(left) ** 2, -1), np.sum(np.abs(right) ** 2, -1), cross.real, cross.imag]
        )
        loudness = mixed[:2].sum()
        gain = table.source.k_power * 10 ** (placement.trim_db / 10) / loudness
        scale = np.max(np.abs(mixed * gain))
        np.testing.assert_allclose(found.early[index], mixed * gain, atol=2e-3 * scale)
        np.testing.assert_allclose(found.late[index], 0.5 * mixed * gain, atol=2e-3 * scale)
        np.testing.assert_allclose(found.thirds[index], (mixed * gain)[:, :11], atol=2e-3 * scale)
        assert found.make_up_db[index] == pytest.approx(10 * np.log10(gain), abs=1e-3)


def test_no_option_is_louder_than_another() -> None:
    """K-weighted power is the reference's for every placement: nobody wins by getting louder."""
    track = dry_track()
    placements = propose(track, DRY_TABLE, count=50, trim_db=0.0, rng=np.random.default_rng(3))
    found = measure(track, DRY_TABLE, placements)
    # in this table loudness is the plain sum over bands
    power = found.early[:, :2].sum(axis=(1, 2))
    np.testing.assert_allclose(power, DRY_TABLE.source.k_power, rtol=1e-4)


def test_covariances_are_possible() -> None:
    """However a Gram was fitted, no option has negative energy or coherence above 1."""
    rng = np.random.default_rng(8)
    noise = rng.standard_normal(DRY_TABLE.early.shape).astype(np.float32)
    broken = replace(DRY_TABLE, early=DRY_TABLE.early + 3.0 * noise)
    placements = propose(dry_track(), broken, count=50, trim_db=0.0, rng=rng)
    early = measure(dry_track(), broken, placements).early
    assert early[:, :2].min() >= 0.0
    coherence = np.hypot(early[:, 2], early[:, 3])
    assert np.all(coherence <= np.sqrt(early[:, 0] * early[:, 1]) * (1 + 1e-5))


def test_near_seats_are_near() -> None:
    """A small change of a placement never jumps across the stage."""
    grid = tuple((float(x), float(y)) for x in range(-8, 9) for y in range(1, 9))
    variants = tuple(Variant(seat, aligned=False, close_delay=0.0) for seat in grid)
    table = replace(DRY_TABLE, variants=variants)
    centre = Placement((0.0, 4.0), (0.0, -3.0, -6.0, -9.0))
    track = replace(dry_track(), start=Placement((8.0, 8.0), (0.0, -3.0, -6.0, -9.0)))
    found = nearby(track, table, centre, count=300, rng=np.random.default_rng(0))
    seats = {placement.seat for placement in found[1:]}
    assert len(seats) > 4
    assert all(np.hypot(x - 0.0, y - 4.0) <= np.sqrt(2) + 1e-9 for x, y in seats)


def test_distance_from_usual_seating() -> None:
    """Metres on the stage, and five for a full pan, of a dry and of a recorded track."""
    moved = replace(dry_track().start, seat=(3.0, 7.0))
    assert list(seat_distances(dry_track(), (dry_track().start, moved))) == [0.0, 5.0]
    turned = replace(dry_track().start, pan=1.0)
    both = replace(moved, pan=-1.0)
    assert seat_distances(dry_track(), (turned, both)) == pytest.approx([5.0, 50.0**0.5])
    panned = Placement(None, (0.0, 0.0, 0.0), pan=-0.5)
    assert list(seat_distances(recorded_track(), (panned,))) == [2.5]
