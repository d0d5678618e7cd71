"""A stem heard through its responses is the same however it is cut into pieces."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import fft
from scipy.signal import oaconvolve

from placer.result.convolve import AT_ONCE, LONGEST_TRANSFORM, Convolver


def heard(samples: np.ndarray, responses: np.ndarray, cuts: list[int]) -> np.ndarray:
    """The stem through a convolver, in pieces that end at `cuts`."""
    convolver = Convolver(responses[None], samples.shape[-1])
    pieces = np.split(samples, cuts, axis=-1)
    return np.concatenate([next(convolver.push(piece)) for piece in pieces], axis=-1)


def wanted(samples: np.ndarray, responses: np.ndarray) -> np.ndarray:
    """The same by scipy, in one go."""
    frames = samples.shape[-1]
    return sum(
        oaconvolve(channel[None], response, axes=-1)[:, :frames]
        for channel, response in zip(samples.astype(float), responses.astype(float), strict=True)
    )


@settings(max_examples=25, deadline=None)
@given(
    channels=st.integers(1, 3),
    taps=st.sampled_from([1, 2, 300, 5000]),
    cuts=st.lists(st.integers(0, 30000), max_size=5),
    seed=st.integers(0, 99),
)
def test_pieces_make_the_whole(channels: int, taps: int, cuts: list[int], seed: int) -> None:
    """Any cut into blocks gives what one long convolution gives (outside witness: scipy)."""
    rng = np.random.default_rng(seed)
    samples = rng.standard_normal((channels, 30000)).astype(np.float32)
    responses = rng.standard_normal((channels, 2, taps)).astype(np.float32)
    expected = wanted(samples, responses)
    found = heard(samples, responses, sorted(cuts))
    assert np.max(np.abs(found - expected)) < 1e-5 * np.max(np.abs(expected))


def test_a_click_returns_the_response() -> None:
    """A stem that is one sample gives the response itself, from that sample on."""
    rng = np.random.default_rng(3)
    responses = rng.standard_normal((1, 2, 4000)).astype(np.float32)
    click = np.zeros((1, 10_000), dtype=np.float32)
    click[0, 1234] = 1.0
    sound = heard(click, responses, [500, 1200, 9000])
    np.testing.assert_allclose(sound[:, :1234], 0.0, atol=2e-6)
    np.testing.assert_allclose(sound[:, 1234:5234], responses[0], atol=2e-6)
    np.testing.assert_allclose(sound[:, 5234:], 0.0, atol=2e-6)


def test_a_long_response_still_has_room_to_step() -> None:
    """Ten seconds of reverberation: the transform holds far more, and several at a time."""
    convolver = Convolver(np.ones((1, 1, 2, 480_000), dtype=np.float32), 8_640_000)
    assert 2 * 480_000 <= convolver.size <= LONGEST_TRANSFORM * 480_000
    assert convolver.step == AT_ONCE * (convolver.size - 479_999)
    with pytest.raises(ValueError, match="at most"):
        convolver.push(np.zeros((1, convolver.step + 1), dtype=np.float32))


@pytest.mark.parametrize("frames", [1, 48_000, 960_000, 8_640_000])
def test_windows_end_with_the_sound(frames: int) -> None:
    """Windows of one length that together are hardly longer than what is convolved."""
    responses = np.ones((1, 1, 2, 105_600), dtype=np.float32)
    convolver = Convolver(responses, frames)
    fresh = convolver.size - convolver.overlap
    windows = -(-frames // fresh)
    assert convolver.size <= LONGEST_TRANSFORM * 105_600
    assert windows * fresh < 1.02 * frames + fft.next_fast_len(convolver.overlap)


@pytest.mark.parametrize("lag", [0, 1, 700])
def test_mixes_of_a_few_taps_at_once(lag: int) -> None:
    """Weights and one delay, each mix its own: exactly the weighted, shifted sum."""
    rng = np.random.default_rng(5)
    samples = rng.standard_normal((3, 9000)).astype(np.float32)
    responses = np.zeros((2, 3, 2, lag + 1), dtype=np.float32)
    responses[0, :, :, 0] = rng.standard_normal((3, 2))
    responses[1, 1:, :, 0] = rng.standard_normal((2, 2))
    responses[1, 0, :, lag] = 1.0
    convolver = Convolver(responses, 9000)
    pieces = np.split(samples, [10, 2000, 2300], axis=-1)
    found = np.concatenate([list(convolver.push(piece)) for piece in pieces], axis=-1)
    for mix in range(2):
        np.testing.assert_allclose(found[mix], wanted(samples, responses[mix]), atol=1e-5)


def test_mixes_share_a_stem_but_not_a_response() -> None:
    """Long responses of several mixes at once: each as if it were alone."""
    rng = np.random.default_rng(6)
    samples = rng.standard_normal((2, 70_000)).astype(np.float32)
    responses = rng.standard_normal((3, 2, 2, 900)).astype(np.float32)
    convolver = Convolver(responses, 70_000)
    found = np.concatenate(
        [list(convolver.push(p)) for p in np.split(samples, [30_000], -1)], axis=-1
    )
    for mix in range(3):
        expected = wanted(samples, responses[mix])
        assert np.max(np.abs(found[mix] - expected)) < 1e-5 * np.max(np.abs(expected))
