"""Tables say what really placed stems measure; passages start together; seats are in the room."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from placer.placing.dry import WALL_DISTANCE, candidate_seats, dry_table, sources_at
from placer.placing.options import measure, propose
from placer.placing.recorded import recorded_table
from placer.placing.spectrum import StemSpectrum, transform_size
from placer.placing.tables import build_table, build_tables, description
from placer.trial.catalogues import corrected, focused, seat_tables
from placer.trial.judge import Judge

from placer.cue.read import read_cue
from placer.cue.records import Cue, Placement
from placer.errors import AudioError
from placer.placement.passages import read_passage, seconds_of
from sim.decibel import energy_db
from sim.room import Room
from tests.placer.small_cue import RATE, sound_of, write_cue


def test_focused_tables_are_what_exact_placing_gives(small_judge: Judge) -> None:
    """Once seats are made exact, look-ups agree with real convolution for every kind of track.

    Four random placements of all tracks. Over thirty the largest differences were 0.10 dB of
    make-up, 0.58 dB of early or late energy and 0.65 dB of a third: short-time spectra and one long
    transform see the ends of a passage of 2.6 s differently.
    """
    material, rng = small_judge.material, np.random.default_rng(0)
    maker = seat_tables(material)
    for _ in range(4):
        placements = tuple(
            propose(track, table, count=2, trim_db=0.0, rng=rng)[-1]
            for track, table in zip(material.cue.tracks, material.tables, strict=True)
        )
        tables = focused(material, maker, [placements])
        exact = small_judge.scorer.score(placements)
        totals = exact.sounding.totals
        for index, (track, table) in enumerate(zip(material.cue.tracks, tables, strict=True)):
            found = corrected(
                measure(track, table, (placements[index],)), small_judge._corrections_db[index]
            )
            assert found.make_up_db[0] == pytest.approx(exact.make_up_db[index], abs=0.2)
            power = table.source.power
            for gains, total in ((found.early, totals.early), (found.late, totals.late)):
                there = np.sum(total[index, :2])
                if there < 1e-9:
                    continue
                here = np.sum((gains[0] * power)[:2])
                assert energy_db(here / there) == pytest.approx(0.0, abs=0.6)
            thirds = (found.thirds[0] * table.source.third_power)[:2].sum(axis=0)
            there = totals.thirds[index, :2].sum(axis=0)
            strong = there > 0.01 * there.max()
            np.testing.assert_allclose(energy_db(thirds / there)[strong], 0.0, atol=1.3)


def test_first_tables_know_make_up_within_a_decibel_or_two(small_judge: Judge) -> None:
    """Theory for the late part is near enough to choose seats by: 1.5 dB of loudness."""
    material, rng = small_judge.material, np.random.default_rng(1)
    for index in (0, 1):
        track, table = material.cue.tracks[index], material.tables[index]
        exact = seat_tables(material).table(
            index, material.passages[index].samples, table, [v.seat for v in table.variants][:9]
        )
        held = {variant.seat for variant in exact.variants}
        offered = propose(track, table, count=150, trim_db=0.0, rng=rng)
        placements = tuple(p for p in offered if p.seat in held)
        first, second = (measure(track, t, placements).make_up_db for t in (table, exact))
        difference = (first - first[0]) - (second - second[0])
        assert len(placements) > 20
        assert np.sqrt(np.mean(np.square(difference))) < 1.5


def test_focused_tables_are_kept(small_judge: Judge, monkeypatch: pytest.MonkeyPatch) -> None:
    """Seats that were simulated once are not simulated again, and memory has a bound."""
    material = small_judge.material
    table, samples = material.tables[0], material.passages[0].samples
    maker = seat_tables(material)
    seats = [v.seat for v in table.variants if not v.aligned][:3]
    first = maker.table(0, samples, table, seats[:2])
    calls = []
    monkeypatch.setattr("placer.placing.focus._Measured", lambda *_: calls.append(1))
    again = maker.table(0, samples, table, seats[:2])
    assert not calls
    np.testing.assert_array_equal(first.early, again.early)
    monkeypatch.undo()
    monkeypatch.setattr("placer.placing.focus.MOST_KEPT", 2)
    maker.table(0, samples, table, seats[2:])
    assert len(maker._kept) == 2


def test_a_second_run_takes_tables_from_the_disk(small_cue: Path, table_cache: Path) -> None:
    """The same table comes back bit for bit; anything that it depends on makes another one."""
    cue = read_cue(small_cue)
    span = (0.2, 2.8)
    for track in cue.tracks:
        passage = read_passage(cue, track, span)
        first, second = (build_table(cue, track, passage) for _ in range(2))
        assert first.variants == second.variants
        assert first.source.k_power == second.source.k_power
        for name in ("early", "late", "thirds", "loudness"):
            np.testing.assert_array_equal(getattr(first, name), getattr(second, name))
    dry, passage = cue.tracks[0], read_passage(cue, cue.tracks[0], span)
    plain = description(cue, dry, passage)
    louder = replace(passage, samples=passage.samples * np.float32(1.01))
    others = [
        description(cue, replace(dry, fixed=True), passage),
        description(cue, replace(dry, locks=frozenset({"seat"})), passage),
        description(cue, replace(dry, source_width=2.5), passage),
        description(replace(cue, room=replace(cue.room, width=9.5)), dry, passage),
        description(replace(cue, search=replace(cue.search, grid=0.5)), dry, passage),
        description(cue, dry, louder),
    ]
    assert all(other != plain for other in others)
    assert list(table_cache.glob("*.npz"))


def test_progress_names_each_track(small_cue: Path) -> None:
    """One word a track, in the cue's order."""
    cue = read_cue(small_cue)
    told: list[str] = []
    passages = [read_passage(cue, track, (0.2, 2.8)) for track in cue.tracks]
    build_tables(cue, passages, progress=told.append)
    assert told == [track.name for track in cue.tracks]


@settings(max_examples=50, deadline=None)
@given(
    seat=st.tuples(st.floats(-3.5, 3.5), st.floats(0.6, 5.0)),
    reach=st.floats(0.0, 30.0),
    grid=st.floats(0.3, 3.0),
    width=st.floats(0.0, 6.0),
)
def test_candidate_seats_stay_in_their_area(
    small_cue: Path, seat: tuple[float, float], reach: float, grid: float, width: float
) -> None:
    """The start comes first, none twice, all inside the area, all players off the side walls."""
    cue = read_cue(small_cue)
    left, right = max(-4.0, seat[0] - reach), min(4.0, seat[0] + reach)
    area = (left, right, max(0.5, seat[1] - reach), min(5.5, seat[1] + reach))
    track = cue.tracks[0]
    track = replace(
        track,
        start=replace(track.start, seat=seat),
        limits=replace(track.limits, area=area),
        source_width=width,
    )
    seats = candidate_seats(track, grid, cue.room)
    assert seats[0] == seat
    assert len(set(seats)) == len(seats) <= 100
    for x, y in seats[1:]:
        assert area[0] - 1e-3 <= x <= area[1] + 1e-3
        assert area[2] - 1e-3 <= y <= area[3] + 1e-3
        assert abs(x) + width / 2 <= cue.room.width / 2 - WALL_DISTANCE + 1e-3
    assert candidate_seats(replace(track, locks=frozenset({"seat"})), grid, cue.room) == (seat,)
    assert candidate_seats(replace(track, fixed=True), grid, cue.room) == (seat,)


def test_only_dry_tracks_have_seats(small_cue: Path) -> None:
    """Misuse is told."""
    with pytest.raises(ValueError, match="horns has no seat"):
        candidate_seats(read_cue(small_cue).tracks[2], 1.0, Room())


def test_a_stereo_stem_is_two_halves_of_a_section(small_cue: Path) -> None:
    """Left players left of the seat, right ones right of it, neither through the wall."""
    cue = read_cue(small_cue)
    left, right = sources_at(cue.room, cue.tracks[1], (-2.0, 2.0), 2)
    assert left.position[0] < -2.0 < right.position[0]
    assert left.position[0] + right.position[0] == pytest.approx(-4.0)
    assert left.width + right.width == pytest.approx(cue.tracks[1].source_width)
    squeezed = sources_at(cue.room, replace(cue.tracks[1], source_width=6.0), (3.9, 2.0), 2)
    assert all(abs(s.position[0]) <= cue.room.width / 2 - WALL_DISTANCE for s in squeezed)


def test_a_mono_stem_in_two_channels_is_twice_itself(small_cue: Path) -> None:
    """Two equal channels of half the amplitude have the same powers as the mono stem."""
    cue = read_cue(small_cue)
    rng = np.random.default_rng(0)
    noise = rng.standard_normal((1, RATE)).astype(np.float32)
    mono = StemSpectrum(noise, RATE, size=4096, k_power=2.0)
    stereo = StemSpectrum(np.repeat(noise, 2, axis=0) / 2, RATE, size=4096, k_power=2.0)
    assert cue.sample_rate == RATE
    np.testing.assert_allclose(mono.density[0], 1.0, atol=1e-6)
    np.testing.assert_allclose(stereo.density[0], 0.5, atol=1e-6)
    np.testing.assert_allclose(stereo.shares, 0.5, rtol=1e-5)
    # fully coherent: both channels' cross term is as large as each of them
    assert stereo.coherence is not None
    np.testing.assert_allclose(stereo.coherence, 0.5, atol=1e-5)
    assert mono.coherence is None
    total = mono.scale * mono.rows.loudness.sum()
    assert total == pytest.approx(2.0)


def test_weights_are_numbers_that_float32_multiplies_fast() -> None:
    """Far skirts of a band are left out rather than kept as subnormal numbers."""
    noise = np.random.default_rng(0).standard_normal((1, 4 * RATE))
    bands = StemSpectrum(noise, RATE, size=65536, k_power=1.0).rows.bands
    kept = bands[bands != 0.0].astype(np.float32)
    assert kept.min() > np.finfo(np.float32).smallest_normal
    np.testing.assert_allclose(bands.sum(axis=1), 1.0, rtol=1e-12)


@given(taps=st.integers(2, 1 << 20))
def test_transform_holds_its_taps(taps: int) -> None:
    """A power of two, and less than twice too long."""
    size = transform_size(taps)
    assert taps <= size < 2 * taps
    assert size & (size - 1) == 0


@pytest.mark.parametrize("channels", [1, 2])
def test_a_delay_moves_the_first_channel_only(channels: int) -> None:
    """Grams with a delay of whole samples are those of responses moved by them, in any row."""
    rng = np.random.default_rng(0)
    samples = rng.standard_normal((channels, RATE))
    samples[-1] += samples[0]
    stem = StemSpectrum(samples, RATE, size=16384, k_power=1.0)
    responses = [np.zeros((3, 16384)) for _ in range(channels)]
    moved = []
    for response in responses:
        response[:, :200] = rng.standard_normal((3, 200))
        moved.append(response.copy())
        moved[-1][0] = np.roll(response[0], 37)
    rows = stem.rows.stacked
    still, later = stem.grams([stem.of(one) for one in responses], rows, (0.0, 37 / RATE))
    expected = stem.grams([stem.of(one) for one in moved], rows, (0.0,))[0]
    np.testing.assert_allclose(later, expected, atol=2e-5 * np.abs(expected).max())
    assert np.abs(still - expected).max() > 0.01 * np.abs(expected).max()
    # outside witness: the definition, bin by bin, in double precision
    first, second = np.triu_indices(3)
    spectra = np.fft.rfft(responses, 16384, axis=-1)[..., : stem.frequencies.size]
    whole = sum(
        spectrum[first] * spectrum[second].conj() * density
        for spectrum, density in zip(spectra, stem.density, strict=True)
    )
    if stem.coherence is not None:
        one, other = spectra
        whole = whole + one[first] * other[second].conj() * stem.coherence
        whole = whole + other[first] * one[second].conj() * stem.coherence.conj()
    packed = np.concatenate([whole.real, whole[first != second].imag]) @ rows.T.astype(float)
    np.testing.assert_allclose(still, packed, atol=2e-5 * np.abs(packed).max())


def test_passages_begin_together(small_cue: Path) -> None:
    """All tracks are equally long and time zero is one instant, whatever their rate or length."""
    cue = read_cue(small_cue)
    passages = [read_passage(cue, track, (0.2, 2.8)) for track in cue.tracks]
    assert {passage.samples.shape[1] for passage in passages} == {round(2.6 * RATE)}
    assert [passage.samples.shape[0] for passage in passages] == [1, 2, 3, 2]
    low = sound_of(small_cue.parent / "low.wav")
    np.testing.assert_allclose(passages[0].samples, low[:, 9600 : 9600 + 124800], atol=1e-6)
    # "high" is silent until 0.5 s, which is 0.3 s into the passage
    high = np.abs(passages[1].samples).max(axis=0)
    assert high[: round(0.2995 * RATE)].max() < 1e-3 * high.max()
    assert high[round(0.3 * RATE) : round(0.31 * RATE)].max() > 0.3 * high.max()
    assert seconds_of(cue) == pytest.approx(3.0)


def test_positions_of_different_length_are_refused(tmp_path: Path) -> None:
    """A position that was exported over another range would sound at the wrong time."""
    path = write_cue(tmp_path)
    soundfile.write(tmp_path / "horns_close.wav", np.ones(RATE // 2) * 0.1, RATE)
    cue = read_cue(path)
    with pytest.raises(AudioError, match=r"horns.*2\.5 s shorter.*one range"):
        read_passage(cue, cue.tracks[2], (0.2, 2.8))


def test_a_track_that_rests_in_the_passage_still_has_a_table(small_cue: Path) -> None:
    """Silence in the passage gives finite look-ups, so that the rest can be searched."""
    cue: Cue = read_cue(small_cue)
    for track, channels in ((cue.tracks[0], 1), (cue.tracks[1], 2)):
        sparse = replace(cue, search=replace(cue.search, grid=4.0))
        table = dry_table(sparse, track, np.zeros((channels, RATE), dtype=np.float32))
        found = measure(track, table, (track.start, Placement(track.start.seat, (0.0,) * 4)))
        for array in (found.early, found.late, found.thirds, found.make_up_db):
            assert np.isfinite(array).all()


def test_a_recorded_track_that_rests_has_a_table(small_cue: Path) -> None:
    """The same for a recorded track."""
    cue = read_cue(small_cue)
    track = cue.tracks[2]
    layout = read_passage(cue, track, (0.2, 2.8)).layout
    table = recorded_table(track, layout, np.zeros((3, RATE), dtype=np.float32), RATE)
    found = measure(track, table, (track.start, replace(track.start, pan=0.5)))
    for array in (found.early, found.late, found.thirds, found.make_up_db):
        assert np.isfinite(array).all()
