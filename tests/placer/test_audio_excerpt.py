"""The passage chosen for analysis is the one where most layers share bands at the same time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from placer.audio.excerpt import STEP_SECONDS, activity, densest, overlap, presence
from sim.bands import ERB_CENTRES

RATE = 16000


def notes(
    spans: list[tuple[float, float]], low: float, high: float, *, seconds: float = 20, seed: int = 1
) -> np.ndarray:
    """Make noise between two frequencies that sounds only in the given spans."""
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft(rng.standard_normal(round(seconds * RATE)))
    frequency = np.fft.rfftfreq(round(seconds * RATE), 1 / RATE)
    spectrum[(frequency < low) | (frequency > high)] = 0
    wave = np.fft.irfft(spectrum)
    time = np.arange(wave.size) / RATE
    sounding = np.any([(time >= start) & (time < end) for start, end in spans], axis=0)
    return (0.1 * wave / wave.std() * sounding)[None, :]


def active(samples: np.ndarray) -> np.ndarray:
    return activity([samples], RATE)


def test_activity_is_the_mean_power_in_each_band() -> None:
    """A 1 kHz sine of amplitude 0.5 has mean square 0.125, all of it near 1 kHz."""
    time = np.arange(2 * RATE) / RATE
    energy = active(0.5 * np.sin(2 * np.pi * 1000 * time)[None, :])
    assert energy.shape == (39, 8)
    assert energy.sum(axis=0) == pytest.approx(np.full(8, 0.125), rel=0.01)
    band = np.argmin(np.abs(ERB_CENTRES - 1000))
    assert energy[band - 1 : band + 2].sum() > 0.99 * energy.sum()


@given(cuts=st.lists(st.integers(1, 3 * RATE - 1), max_size=5))
@settings(max_examples=15, deadline=None)
def test_activity_does_not_depend_on_the_blocks(cuts: list[int]) -> None:
    """Read in any pieces: the same."""
    samples = notes([(0.3, 2.2)], 50, 4000, seconds=3)
    pieces = np.split(samples, sorted(set(cuts)), axis=1)
    assert np.allclose(activity(pieces, RATE), active(samples), rtol=1e-9, atol=1e-18)


def test_overlap_counts_pairs() -> None:
    """Of n equal tracks there are n (n - 1) / 2 pairs; one track alone has none."""
    one = np.ones((39, 4))
    assert overlap([one]).max() == 0.0
    assert np.allclose(overlap([one] * 5), 10.0)
    shorter = overlap([one, one[:, :2]])
    assert np.allclose(shorter[:, :2], 1.0)
    assert np.allclose(shorter[:, 2:], 0.0)


def test_where_layers_share_the_lows_is_denser_than_where_they_do_not() -> None:
    """All tracks sound all the time at one level; only from 8 to 13 s do they meet in the lows."""
    others = [(0.0, 8.0), (13.0, 20.0)]
    tracks = [
        notes([(8.0, 13.0)], 60, 200, seed=index)
        + notes(others, 300 * 2**index, 450 * 2**index, seed=index)
        for index in range(4)
    ]
    best = densest([active(track) for track in tracks], 5.0)[0]
    assert best.start == pytest.approx(8.0, abs=2 * STEP_SECONDS)
    assert best.end - best.start == 5.0
    assert best.tracks == pytest.approx(4, abs=0.3)
    assert best.low < 100
    assert best.high < 1000
    assert "4 tracks sound at once" in best.words


def test_loud_but_alone_is_not_dense() -> None:
    """One loud track alone loses against three quiet ones together."""
    loud = 10 * notes([(1.0, 6.0), (12.0, 13.0)], 50, 6000)
    quiet = [0.01 * notes([(10.0, 15.0)], 80, 2000, seed=seed) for seed in (2, 3, 4)]
    best = densest([active(track) for track in [loud, *quiet]], 5.0)[0]
    assert best.start == pytest.approx(10.0, abs=2 * STEP_SECONDS)


def test_several_passages_do_not_overlap() -> None:
    """Densest first, each a different stretch of the cue."""
    tracks = [notes([(2.0, 5.0), (12.0, 15.0)], 50, 5000, seed=seed) for seed in (1, 2)]
    tracks.append(notes([(12.0, 15.0)], 50, 5000, seed=3))
    first, second = densest([active(track) for track in tracks], 3.0, count=2)
    assert first.start == pytest.approx(12.0, abs=2 * STEP_SECONDS)
    assert second.start == pytest.approx(2.0, abs=2 * STEP_SECONDS)
    assert first.density > second.density


def test_short_and_silent_cues_have_a_passage() -> None:
    """A cue shorter than the passage is taken whole; silence is no reason to fail."""
    short = densest([active(notes([(0.0, 2.0)], 50, 5000, seconds=2.1))], 20.0)
    assert (short[0].start, short[0].end) == (0.0, 2.25)
    silent = densest([np.zeros((39, 40))], 5.0)
    assert silent[0].density == 0.0
    assert densest([], 5.0) == []
    assert not presence(np.zeros((39, 3))).any()
