"""Room-acoustic parameters give what closed forms and other people's measurements say."""

from __future__ import annotations

import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

import numpy as np
import pytest

from sim.parameters import (
    clarity_db,
    decay_curve_db,
    definition,
    direct_to_reverberant_db,
    early_decay_time,
    interaural_correlation,
    lateral_fraction,
    octave,
    onset_time,
    reverberation_time,
    strength_db,
)

RATE = 48000


def decay(seconds: float, *, length: float = 3.0, delay: float = 0.0) -> np.ndarray:
    """Response whose energy decays by 60 dB in `seconds`, starting at `delay`."""
    time = np.arange(int(length * RATE)) / RATE - delay
    return np.where(time >= 0.0, 10.0 ** (-3.0 * time / seconds), 0.0)


@pytest.mark.parametrize("seconds", [0.3, 1.0, 2.2])
def test_exponential_decay(seconds: float) -> None:
    """An exponential decay: T30 = EDT = T, C80 = 10 lg(exp(1.105 / T) - 1), D50 in closed form."""
    response = decay(seconds, delay=0.02)
    rate = 6.0 * np.log(10.0) / seconds
    assert reverberation_time(response, RATE) == pytest.approx(seconds, rel=1e-3)
    assert early_decay_time(response, RATE) == pytest.approx(seconds, rel=5e-3)
    c80 = 10.0 * np.log10(np.exp(0.080 * rate) - 1.0)
    assert clarity_db(response, RATE) == pytest.approx(c80, abs=0.02)
    assert definition(response, RATE) == pytest.approx(1.0 - np.exp(-0.050 * rate), rel=2e-3)
    c50 = 10.0 * np.log10(np.exp(0.050 * rate) - 1.0)
    assert clarity_db(response, RATE, limit=0.05) == pytest.approx(c50, abs=0.02)
    drr = 10.0 * np.log10(np.exp(0.006 * rate) - 1.0)
    assert direct_to_reverberant_db(response, RATE) == pytest.approx(drr, abs=0.1)


def test_definition_and_clarity_agree() -> None:
    """C50 = 10 lg(D / (1 - D)) (ISO 3382-1, A.12)."""
    response = decay(1.3)
    share = definition(response, RATE)
    expected = 10.0 * np.log10(share / (1.0 - share))
    assert clarity_db(response, RATE, limit=0.05) == pytest.approx(expected, abs=1e-9)


def test_two_slopes() -> None:
    """A quick start and a slow end: EDT follows the start, T30 the end."""
    response = np.sqrt(decay(0.4) ** 2 + 0.003 * decay(2.0) ** 2)
    assert early_decay_time(response, RATE) < 0.6
    assert reverberation_time(response, RATE) > 1.2


def test_strength() -> None:
    """A source of level 0 dB at 1 m heard directly at 10 m has G = 0 dB, at 5 m 6.02 dB."""
    for distance, level in ((10.0, 0.0), (5.0, 6.02), (1.0, 20.0)):
        response = np.zeros(1000)
        response[100] = 1.0 / distance
        assert strength_db(response) == pytest.approx(level, abs=0.01)


def test_onset_and_rows() -> None:
    """Each row has its own direct sound; a given onset is taken at its word."""
    rows = np.stack([decay(1.0, delay=0.01), decay(1.0, delay=0.05)])
    np.testing.assert_allclose(onset_time(rows, RATE), [0.01, 0.05], atol=1e-4)
    one, two = clarity_db(rows, RATE)
    assert one == pytest.approx(two, abs=0.01)
    assert clarity_db(rows, RATE, onset=np.array([0.01, 0.01]))[1] < one


@pytest.mark.parametrize(("level_db", "begins"), [(-20.2, 60), (-19.8, 20)])
def test_the_onset_lies_20_db_under_the_largest_sample(level_db: float, begins: int) -> None:
    """ISO 3382-1, 5.3.3: what comes before, and is quieter, is not the direct sound yet."""
    response = np.zeros(100)
    response[20], response[60] = 10.0 ** (level_db / 20.0), -1.0
    assert onset_time(response, 1.0) == begins


def test_noise_is_taken_off() -> None:
    """Background noise 45 dB down spoils T30 unless the noise is taken off."""
    rng = np.random.default_rng(1)
    response = decay(1.0) * rng.standard_normal(3 * RATE)
    noisy = response + 10.0 ** (-45.0 / 20.0) * rng.standard_normal(3 * RATE)
    assert reverberation_time(noisy, RATE) > 1.2
    got = reverberation_time(noisy, RATE, noise_from=int(0.9 * RATE))
    assert got == pytest.approx(1.0, rel=0.1)


def test_too_short_is_said() -> None:
    """A response whose curve spans 20 dB has no T30, and the message says what is missing."""
    with pytest.raises(ValueError, match=r"spans 20\.0 dB, less than the 35 dB needed"):
        reverberation_time(np.ones(100), RATE)


def test_decay_curve_starts_at_zero() -> None:
    """Backward integration: 0 dB at the start, never rising."""
    curve = decay_curve_db(decay(0.8))
    assert curve[0] == pytest.approx(0.0)
    assert np.diff(curve).max() <= 0.0


def test_lateral_fraction() -> None:
    """Sideways energy counts from 5 ms on: three reflections by hand."""
    omni, sideways = np.zeros(9600), np.zeros(9600)
    omni[[480, 480 + 960, 480 + 1920]] = [1.0, 0.5, 0.5]
    sideways[[480, 480 + 960, 480 + 1920]] = [0.3, 0.5, 0.25]
    expected = (0.5**2 + 0.25**2) / (1.0 + 0.5**2 + 0.5**2)
    assert lateral_fraction(omni, sideways, RATE) == pytest.approx(expected)


def test_lateral_fraction_of_a_smooth_arrival() -> None:
    """A filter without delay on both microphones: its rise before the onset is direct sound too."""
    time = (np.arange(9600) - 480) / RATE
    direct = np.exp(-np.square(3000.0 * time)) * np.cos(2.0 * np.pi * 6000.0 * time)
    sideways = 0.5 * np.roll(direct, 960)
    assert lateral_fraction(direct, sideways, RATE) == pytest.approx(0.25, rel=1e-5)


def test_interaural_correlation() -> None:
    """The same at both ears: 1, also 0.5 ms apart; independent noise: near 0."""
    rng = np.random.default_rng(2)
    one, two = rng.standard_normal((2, RATE))
    assert interaural_correlation(one, one, RATE) == pytest.approx(1.0)
    assert interaural_correlation(one, np.roll(one, 24), RATE) == pytest.approx(1.0, abs=0.02)
    assert interaural_correlation(one, np.roll(one, 200), RATE) < 0.2
    assert interaural_correlation(one, two, RATE, begin=0.0, end=0.5) < 0.1
    half = interaural_correlation(one, one + np.sqrt(3.0) * two, RATE, end=0.8)
    assert half == pytest.approx(0.5, abs=0.05)
    # a late arrival, and what comes after the window is not looked at
    gap, early = np.zeros(RATE // 4), RATE // 10
    left, right = (np.concatenate([gap, one[:early], late]) for late in (one, two))
    assert interaural_correlation(left, right, RATE, end=0.08) == pytest.approx(1.0)
    assert interaural_correlation(left, right, RATE, end=0.9) < 0.3


def test_octaves_share_the_energy() -> None:
    """White noise: each octave carries its share of the bandwidth within 0.2 dB."""
    noise = np.random.default_rng(3).standard_normal(10 * RATE)
    for centre in (125.0, 1000.0, 8000.0):
        share = np.mean(np.square(octave(noise, centre, sample_rate=RATE)))
        expected = centre * np.sqrt(0.5) / (RATE / 2.0)
        assert 10.0 * np.log10(share / expected) == pytest.approx(0.0, abs=0.3)


def test_octave_too_high() -> None:
    """The octave at 16 kHz does not fit below 16 kHz."""
    with pytest.raises(ValueError, match=r"16000\.0 Hz reaches 22627 Hz"):
        octave(np.zeros(100), 16000.0, sample_rate=32000)


@pytest.fixture(scope="module")
def recordings() -> Path:
    """Two measured room responses from the source package of `acoustics` 0.2.6.

    CC BY-SA 3.0 and public domain; fetched, never kept in this repository.
    """
    folder = Path(tempfile.gettempdir()) / "measured-room-responses"
    data = folder / "acoustics-0.2.6" / "tests" / "data"
    if not data.is_dir():
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps"]
        command += ["--no-binary", ":all:", "--dest", str(folder), "acoustics==0.2.6"]
        try:
            subprocess.run(command, check=True, capture_output=True, timeout=120)
        except (subprocess.SubprocessError, OSError) as problem:
            pytest.skip(f"the source package of acoustics 0.2.6 cannot be fetched: {problem}")
        with tarfile.open(folder / "acoustics-0.2.6.tar.gz") as archive:
            archive.extractall(folder, filter="data")
    return data


@pytest.mark.slow
def test_measured_sports_centre(recordings: Path) -> None:
    """T30 and EDT of a measured hall, against the values that package's own tests print.

    Both use backward integration but other filters and other lines: T30 within 5 %, EDT 6 %.
    """
    soundfile = pytest.importorskip("soundfile")
    response, rate = soundfile.read(recordings / "ir_sportscentre_omni.wav")
    t30 = [7.388, 8.472, 6.795, 6.518, 4.797, 4.089]
    edt = [4.667, 5.942, 6.007, 5.941, 5.038, 3.735]
    for centre, late, early in zip(125.0 * 2.0 ** np.arange(6), t30, edt, strict=True):
        band = octave(response, centre, sample_rate=rate)
        assert reverberation_time(band, rate) == pytest.approx(late, rel=0.05)
        assert early_decay_time(band, rate) == pytest.approx(early, rel=0.06)


@pytest.mark.slow
def test_measured_living_room(recordings: Path) -> None:
    """T30 and C80 of a measured living room: within 5 % and 0.5 dB from 125 Hz up."""
    soundfile = pytest.importorskip("soundfile")
    response, rate = soundfile.read(recordings / "living_room_1.wav")
    t30 = [0.365, 0.303, 0.259, 0.227, 0.211, 0.204, 0.181]
    c80 = [23.077, 27.015, 31.743, 35.469, 36.836, 33.463, 36.062]
    for centre, time, clarity in zip(125.0 * 2.0 ** np.arange(7), t30, c80, strict=True):
        band = octave(response, centre, sample_rate=rate)
        assert reverberation_time(band, rate) == pytest.approx(time, rel=0.05)
        assert clarity_db(band, rate) == pytest.approx(clarity, abs=0.5)
