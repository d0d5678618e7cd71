"""Loudness and true peak agree with the standards' test signals and with other meters."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyebur128
import pyloudnorm
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import firwin, freqz_sos, lfilter

from placer.audio.k_weighting import k_weighting, k_weighting_response
from placer.audio.loudness import (
    Meter,
    channel_weights,
    gated_blocks,
    integrated_loudness,
    loudness_range,
    momentary,
    short_term,
    true_peak_db,
)
from placer.audio.true_peak import interpolator
from sim.decibel import FLOOR_DB

RATE = 48000
Segments = list[tuple[float, float | None]]


def tone(segments: Segments, rate: int = RATE, channels: int = 2) -> np.ndarray:
    """Make a 1 kHz sine in phase in all channels; segments are (seconds, peak dBFS or silence)."""
    level = np.concatenate(
        [
            np.full(round(seconds * rate), 0.0 if db is None else 10 ** (db / 20))
            for seconds, db in segments
        ]
    )
    wave = level * np.sin(2 * np.pi * 1000 * np.arange(level.size) / rate)
    return np.tile(wave, (channels, 1))


def oracle(samples: np.ndarray, rate: int, mode: str = "MODE_I") -> Any:
    """Let libebur128 hear the sound."""
    state = pyebur128.R128State(samples.shape[0], rate, getattr(pyebur128.MeasurementMode, mode))
    if samples.shape[0] == 5:
        kind = pyebur128.ChannelType
        for index, name in enumerate(("Left", "Right", "Center", "LeftSurround", "RightSurround")):
            state.set_channel(index, getattr(kind, name))
    state.add_frames(np.ascontiguousarray(samples.T).ravel(), samples.shape[1])
    return state


# -- EBU Tech 3341, table 1: signals and expected readings, +-0.1 LU ------------------------------

INTEGRATED: dict[str, tuple[Segments, float]] = {
    "1": ([(20, -23)], -23.0),
    "2": ([(20, -33)], -33.0),
    "3": ([(10, -36), (60, -23), (10, -36)], -23.0),
    "4": ([(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)], -23.0),
    "5": ([(20, -26), (20.1, -20), (20, -26)], -23.0),
}


@pytest.mark.parametrize("case", INTEGRATED)
def test_integrated_loudness_of_tech_3341(case: str) -> None:
    """Signals 1 to 5 read what the table says, within 0.1 LU, and 0.02 LU of libebur128."""
    segments, expected = INTEGRATED[case]
    samples = tone(segments)
    measured = integrated_loudness(samples, RATE)
    assert measured == pytest.approx(expected, abs=0.1)
    assert measured == pytest.approx(pyebur128.get_loudness_global(oracle(samples, RATE)), abs=0.02)
    meter = pyloudnorm.Meter(RATE, filter_class="DeMan")
    assert measured == pytest.approx(meter.integrated_loudness(samples.T), abs=0.02)


def test_surround_channels_of_tech_3341() -> None:
    """Signal 6: L, R at -28, C at -24, Ls, Rs at -30 dBFS read -23 LUFS."""
    levels = np.array([-28.0, -28.0, -24.0, -30.0, -30.0])
    samples = 10 ** (levels[:, None] / 20) * tone([(20, 0.0)], channels=1)
    assert integrated_loudness(samples, RATE) == pytest.approx(-23.0, abs=0.1)
    with pytest.raises(ValueError, match="4 channels"):
        channel_weights(4)


def test_momentary_and_short_term_of_tech_3341() -> None:
    """Signals 1, 2, 9 and 12: every reading, once the window is full, is the table's."""
    for level in (-23.0, -33.0):
        for reading in (momentary, short_term):
            assert np.abs(reading(tone([(20, level)]), RATE) - level).max() < 0.1
    nine = short_term(tone([(1.34, -20), (1.66, -30)] * 5), RATE)
    assert np.abs(nine + 23.0).max() < 0.1
    twelve = momentary(tone([(0.18, -20), (0.22, -30)] * 25), RATE)[6:]
    assert np.abs(twelve + 23.0).max() < 0.1


@pytest.mark.parametrize("index", [0, 3, 7, 19])
def test_highest_short_term_of_tech_3341(index: int) -> None:
    """Signals 10 and 11: a 3 s tone anywhere on the time axis is caught."""
    ten = tone([(index * 0.15, None), (3, -23), (1, None)])
    assert short_term(ten, RATE).max() == pytest.approx(-23.0, abs=0.1)
    eleven = tone([(index * 0.15, None), (3, -38 + index), (3 - index * 0.15, None)])
    assert short_term(eleven, RATE).max() == pytest.approx(-38.0 + index, abs=0.1)


TRUE_PEAKS = {
    "15": (4, 0.50, 0.0, -6.0),
    "16": (4, 0.50, 45.0, -6.0),
    "17": (6, 0.50, 60.0, -6.0),
    "18": (8, 0.50, 67.5, -6.0),
    "19": (4, 1.41, 45.0, 3.0),
}


def tapered(wave: np.ndarray, rate: int) -> np.ndarray:
    """Fade in and out over 10 ms, as Tech 3341 asks."""
    ramp = np.ones(wave.size)
    length = rate // 100
    ramp[:length] = np.linspace(0, 1, length)
    ramp[-length:] = np.linspace(1, 0, length)
    return wave * ramp


@pytest.mark.parametrize("case", TRUE_PEAKS)
def test_true_peak_of_tech_3341(case: str) -> None:
    """Signals 15 to 19 lie within +0.2/-0.4 dB of the table and near libebur128."""
    division, size, phase, expected = TRUE_PEAKS[case]
    wave = size * np.sin(2 * np.pi * np.arange(RATE) / division + np.radians(phase))
    samples = np.tile(tapered(wave, RATE), (2, 1))
    measured = true_peak_db(samples, RATE)
    assert -0.4 <= measured - expected <= 0.2
    peak = pyebur128.get_true_peak(oracle(samples, RATE, "MODE_TRUE_PEAK"), 0)
    assert measured == pytest.approx(20 * np.log10(peak), abs=0.15)


@pytest.mark.parametrize("offset", [0, 1, 2, 3])
def test_true_peak_between_samples_of_tech_3341(offset: int) -> None:
    """Signals 20 to 23: one loud period at fs/4, made at 4 fs, decimated at an offset: 0 dBTP."""
    fast = 4 * RATE
    frequency = np.full(fast // 2, RATE / 6)
    size = np.full(fast // 2, 0.5)
    period = 16  # one period of fs/4 at 4 fs, half-way
    frequency[fast // 4 : fast // 4 + period] = RATE / 4
    size[fast // 4 : fast // 4 + period] = 1.0
    phase = 2 * np.pi * np.concatenate([[0.0], np.cumsum(frequency)[:-1]]) / fast
    phase -= phase[fast // 4]
    wave = tapered(size * np.sin(phase), fast)
    low = lfilter(firwin(255, 0.45 * RATE, fs=fast), 1.0, wave)
    measured = true_peak_db(low[None, offset::4], RATE)
    assert -0.4 <= measured <= 0.2


@pytest.mark.parametrize(
    ("segments", "expected"),
    [
        ([(20, -20), (20, -30)], 10.0),
        ([(20, -20), (20, -15)], 5.0),
        ([(20, -40), (20, -20)], 20.0),
        ([(20, -50), (20, -35), (20, -20), (20, -35), (20, -50)], 15.0),
    ],
)
def test_loudness_range_of_tech_3342(segments: Segments, expected: float) -> None:
    """Signals 1 to 4 read 10, 5, 20 and 15 LU, +-1 LU."""
    assert loudness_range(tone(segments), RATE) == pytest.approx(expected, abs=1.0)


# -- BS.1770-5 ------------------------------------------------------------------------------------


def test_anchor_of_bs_1770() -> None:
    """0 dBFS at 997 Hz in one channel reads -3.01 LUFS; in two, 0.00."""
    wave = np.sin(2 * np.pi * 997 * np.arange(5 * RATE) / RATE)
    assert integrated_loudness(wave[None], RATE) == pytest.approx(-3.01, abs=0.01)
    assert integrated_loudness(np.tile(wave, (2, 1)), RATE) == pytest.approx(0.0, abs=0.01)


def test_coefficients_at_48_khz_are_the_printed_tables() -> None:
    """BS.1770-5, Annex 1, tables 1 and 2, to the last printed digit."""
    shelf = [1.53512485958697, -2.69169618940638, 1.19839281085285]
    shelf += [1.0, -1.69065929318241, 0.73248077421585]
    high_pass = [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621]
    assert k_weighting(48000) == pytest.approx(np.array([shelf, high_pass]), abs=1e-13)


@pytest.mark.parametrize(
    ("rate", "tolerance"),
    [(8000, 0.3), (22050, 0.05), (44100, 0.01), (88200, 0.01), (96000, 0.01), (192000, 0.01)],
)
def test_weighting_is_the_same_curve_at_every_rate(rate: int, tolerance: float) -> None:
    """Close to 48 kHz up to a sixth of the rate; the bilinear map bends the shelf at low rates."""
    frequencies = np.geomspace(20, min(rate, 48000) / 6, 60)
    level = 10 * np.log10(k_weighting_response(frequencies, rate))
    reference = 10 * np.log10(k_weighting_response(frequencies))
    assert np.abs(level - reference).max() < tolerance
    _, response = freqz_sos(k_weighting(rate), frequencies, fs=rate)
    assert k_weighting_response(frequencies, rate) == pytest.approx(np.abs(response) ** 2)


# -- other meters ---------------------------------------------------------------------------------


def programme(rate: int, seconds: float = 30.0, seed: int = 3) -> np.ndarray:
    """Coloured stereo noise that swells and falls, so that the relative gate has work."""
    rng = np.random.default_rng(seed)
    noise = lfilter([0.3], [1, -0.7], rng.standard_normal((2, round(seconds * rate))), axis=1)
    time = np.arange(noise.shape[1]) / rate
    return noise * 10 ** ((-45 - 8 * np.cos(2 * np.pi * time / 23.7)) / 20)


@pytest.mark.parametrize("rate", [44100, 48000, 96000, 192000])
def test_programme_agrees_with_libebur128(rate: int) -> None:
    """Loudness within 0.05 LU, range within 0.3 LU, true peak within 0.2 dB, at every rate.

    At 192 kHz libebur128 keeps the numerator of the 48 kHz table, which reads 0.03 LU lower.
    """
    samples = programme(rate)
    state = oracle(samples, rate, "MODE_I")
    assert integrated_loudness(samples, rate) == pytest.approx(
        pyebur128.get_loudness_global(state), abs=0.05
    )
    state = oracle(samples, rate, "MODE_LRA")
    assert loudness_range(samples, rate) == pytest.approx(
        pyebur128.get_loudness_range(state), abs=0.3
    )
    state = oracle(samples, rate, "MODE_TRUE_PEAK")
    peak = max(pyebur128.get_true_peak(state, channel) for channel in (0, 1))
    assert true_peak_db(samples, rate) == pytest.approx(20 * np.log10(peak), abs=0.2)


@given(
    seed=st.integers(0, 10_000),
    gain_db=st.floats(-40, 20),
    cuts=st.lists(st.integers(1, 3 * 22050), min_size=1, max_size=6),
)
@settings(max_examples=20, deadline=None)
def test_blocks_and_gain(seed: int, gain_db: float, cuts: list[int]) -> None:
    """Fed in any pieces the meter reads what the whole reads; a gain moves both by itself."""
    samples = 0.05 * np.random.default_rng(seed).standard_normal((2, 3 * 22050))
    before = samples.copy()
    loudness, peak = integrated_loudness(samples, 22050), true_peak_db(samples, 22050)
    meter = Meter(2, 22050)
    for piece in np.split(samples, sorted(set(cuts)), axis=1):
        meter.push(piece)
    assert meter.loudness == pytest.approx(loudness, abs=1e-9)
    assert meter.true_peak_db == pytest.approx(peak, abs=1e-9)
    louder = samples * 10 ** (gain_db / 20)
    assert integrated_loudness(louder, 22050) == pytest.approx(loudness + gain_db, abs=1e-6)
    assert true_peak_db(louder, 22050) == pytest.approx(peak + gain_db, abs=1e-6)
    assert np.array_equal(samples, before)


def test_passing_over_quiet_stretches_misses_no_peak() -> None:
    """The highest point equals that of interpolating everything, wherever it lies."""
    rng = np.random.default_rng(5)
    for place in (0, 1, 1022, 1023, 1024, 1030, 4999):
        samples = 0.2 * rng.standard_normal((1, 5000))
        samples[0, place] = samples[0, place - 1] = 1.0
        dense = np.abs(
            [np.convolve(np.pad(samples[0], 24), taps[::-1], "valid") for taps in interpolator(4)]
        ).max()
        assert 10 ** (true_peak_db(samples, RATE) / 20) == pytest.approx(max(1.0, dense), rel=1e-9)


def test_silence_and_short_sounds_read_the_floor() -> None:
    """No NaN and no infinity: nothing above the gate is `FLOOR_DB`, also below 400 ms."""
    assert integrated_loudness(np.zeros((2, RATE)), RATE) == FLOOR_DB
    assert integrated_loudness(np.ones((2, 100)), RATE) == FLOOR_DB
    assert integrated_loudness(tone([(5, -75)]), RATE) == FLOOR_DB
    assert true_peak_db(np.zeros((2, RATE)), RATE) == FLOOR_DB
    assert true_peak_db(np.zeros((1, 0)), RATE) == FLOOR_DB
    assert loudness_range(np.zeros((2, 5 * RATE)), RATE) == 0.0
    assert momentary(np.zeros((1, 10)), RATE).size == 0


def test_gated_blocks_are_those_that_count() -> None:
    """A tone after silence: 400 ms blocks every 100 ms; those of silence do not count."""
    blocks = gated_blocks(tone([(2, None), (2, -20)]), RATE)
    assert blocks.power.size == 37
    assert not blocks.kept[:17].any()
    assert blocks.kept[20:].all()
    assert blocks.loudness == pytest.approx(-20.0, abs=0.6)
