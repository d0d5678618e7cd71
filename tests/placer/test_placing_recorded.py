"""What is found in a track's own recorded positions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from placer.placing.exact import placed_from_recorded, recorded_audio
from placer.placing.options import measure
from placer.placing.recorded import close_lag, driest, recorded_table, split

from placer.audio.envelopes import band_filters, smear
from placer.audio.loudness import integrated_loudness
from placer.cue.records import Placement, Track, TrackLimits
from placer.placement.layout import Layout

RATE = 48000


def bursts(seconds: float, seed: int) -> np.ndarray:
    """Noise that is on for 0.2 s of every second."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal(round(seconds * RATE))
    time = np.arange(noise.size) / RATE
    return np.asarray(noise * (time % 1.0 < 0.2))


def decayed(signal: np.ndarray, reverberation_time: float, seed: int) -> np.ndarray:
    """The signal through an exponentially decaying noise tail that begins after 80 ms."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(reverberation_time * RATE)) / RATE
    tail = rng.standard_normal(time.size) * 10 ** (-3 * time / reverberation_time)
    tail[: round(0.08 * RATE)] = 0.0
    tail /= np.sqrt(np.sum(tail**2))
    size = 1 << (signal.size + tail.size).bit_length()
    wet = np.fft.irfft(np.fft.rfft(signal, size) * np.fft.rfft(tail, size), size)
    return np.asarray(wet[: signal.size])


@pytest.fixture
def track() -> Track:
    return Track(
        name="celli",
        kind="recorded",
        files=(),
        positions=("close", "hall"),
        section="celli",
        role="ostinato",
        start=Placement(None, (0.0, 0.0)),
        limits=TrackLimits(area=(-1, 1, 0, 1)),
    )


def test_split_finds_the_two_parts() -> None:
    """Energies made of known shares of two envelopes are told apart."""
    rng = np.random.default_rng(2)
    early = rng.random((39, 300)) ** 4
    late = smear(early, np.full(39, 1.3), 0.0427)
    gram = np.array([2.0, 0.3])[:, None, None] * early + np.array([0.1, 1.5])[:, None, None] * late
    a, b = split(gram, early, late)
    np.testing.assert_allclose(a, np.array([2.0, 0.3])[:, None] * np.ones(39), rtol=0.01)
    np.testing.assert_allclose(b, np.array([0.1, 1.5])[:, None] * np.ones(39), rtol=0.01)


def test_smear_keeps_the_energy_of_a_steady_sound() -> None:
    """A room's late decay delays a steady sound but does not change its level."""
    steady = smear(np.ones((2, 400)), np.array([1.0, 2.0]), 0.0427)
    np.testing.assert_allclose(steady[:, -1], 1.0, rtol=1e-3)
    assert not steady[:, 0].any()


def test_hall_position_is_found_to_be_late(track: Track) -> None:
    """A position with nothing but decay carries its energy late, a close one early."""
    dry = bursts(8.0, 4)
    samples = np.stack([dry, decayed(dry, 1.3, 5)]).astype(np.float32)
    layout = Layout(("close", "hall"), (1, 1))
    table = recorded_table(track, layout, samples, RATE)
    options = measure(track, table, (Placement(None, (0.0, -60.0)), Placement(None, (-60.0, 0.0))))
    envelope, late_envelope = table.source.envelope, table.source.late_envelope
    early = (options.early[:, :2].sum(1) * envelope.mean(-1))[:, 5:35].sum(1)
    late = (options.late[:, :2].sum(1) * late_envelope.mean(-1))[:, 5:35].sum(1)
    assert 10 * np.log10(early[0] / late[0]) > 15.0
    assert 10 * np.log10(late[1] / early[1]) > 3.0


def test_options_are_set_back_to_one_loudness(track: Track) -> None:
    """Whatever the blend, make-up gain brings a track back to its reference loudness."""
    dry = bursts(6.0, 6)
    samples = np.stack([dry, 0.3 * decayed(dry, 1.3, 7)]).astype(np.float32)
    layout = Layout(("close", "hall"), (1, 1))
    table = recorded_table(track, layout, samples, RATE)
    blends = [(0.0, -20.0), (-20.0, 0.0), (-12.0, -6.0)]
    placements = (track.start, *(Placement(None, blend) for blend in blends))
    options = measure(track, table, placements)
    lufs = [
        integrated_loudness(recorded_audio(samples, layout, one, 0), RATE) for one in placements
    ]
    assert options.make_up_db[0] == pytest.approx(0.0, abs=1e-4)
    assert max(lufs) - min(lufs) > 1.0
    np.testing.assert_allclose(options.make_up_db, lufs[0] - np.array(lufs), atol=0.005)


def test_late_energy_is_that_of_the_exact_score(track: Track) -> None:
    """Over a passage, tables hold what really mixed blends hold, early and late."""
    dry = bursts(6.0, 6)
    samples = np.stack([dry, 0.3 * decayed(dry, 1.3, 7)]).astype(np.float32)
    layout = Layout(("close", "hall"), (1, 1))
    table = recorded_table(track, layout, samples, RATE)
    placements = tuple(Placement(None, (0.0, -3.0 * k), pan=0.2 * k) for k in range(5))
    options = measure(track, table, (track.start, *placements))
    power = table.source.power
    for number, placement in enumerate(placements, start=1):
        sound = recorded_audio(samples, layout, placement, 0)
        gain = 10.0 ** (options.make_up_db[number] / 20.0)
        exact = placed_from_recorded(
            track, table, placement, audio=np.float32(gain) * sound,
            make_up_db=options.make_up_db[number], filters=band_filters(RATE),
        )  # fmt: skip
        for found, real in (
            (options.early_total[number], exact.early_total),
            (options.late_total[number], exact.late_total),
        ):
            np.testing.assert_allclose(found[:2] * power, real[:2], rtol=1e-3)


def test_close_lag_is_the_delay_between_positions() -> None:
    """The delay that aligns the close position is the lag at which it meets the next one."""
    rng = np.random.default_rng(8)
    close = rng.standard_normal(RATE)
    tree = np.roll(close, 480) * 0.5 + 0.2 * rng.standard_normal(RATE)
    layout = Layout(("close", "tree"), (1, 1))
    assert close_lag(layout, np.stack([close, tree]), RATE) == pytest.approx(0.01, abs=1e-4)


def test_driest_is_the_liveliest_where_names_do_not_help() -> None:
    """Without a telling name the position whose level moves most is the driest."""
    layout = Layout(("one", "two"), (1, 1))
    envelope = np.abs(np.sin(np.arange(200) / 3.0)) + 0.01
    smooth = np.full(200, 0.5)
    assert driest(layout, np.stack([smooth, envelope])) == 1


@pytest.mark.parametrize("aligned", [True, False])
def test_a_locked_delay_keeps_what_the_cue_says(track: Track, aligned: bool) -> None:
    """A track whose delay is locked has its start's alignment, and that one only."""
    sound = bursts(3.0, 7).astype(np.float32)
    lag = round(0.012 * RATE)
    samples = np.stack([sound, np.concatenate([np.zeros(lag), sound[:-lag]])]).astype(np.float32)
    layout = Layout(("close", "hall"), (1, 1))
    start = Placement(None, (0.0, 0.0), aligned=aligned)
    locked = replace(track, start=start, locks=frozenset({"delay"}))
    table = recorded_table(locked, layout, samples, RATE)
    assert [variant.aligned for variant in table.variants] == [aligned]
    assert table.variants[0].close_delay == pytest.approx(0.012 if aligned else 0.0, abs=1e-4)
    free = recorded_table(replace(track, start=start), layout, samples, RATE)
    assert [variant.aligned for variant in free.variants] == [False, True]
