"""What a placement really sounds like: a click returns the response, loudness comes back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from placer.placing.exact import (
    channel_responses,
    place_dry,
    placed_from_recorded,
    recorded_audio,
    response_seed,
    set_back,
)
from placer.placing.totals import share_out
from placer.trial.judge import Judge

from placer.audio.envelopes import band_filters
from placer.audio.loudness import integrated_loudness
from placer.cue.read import read_cue
from placer.cue.records import OFF_DB, Cue, Placement
from placer.placement.layout import DRY_LAYOUT, stereo_matrix
from sim.decibel import amplitude
from tests.placer.small_cue import RATE


@pytest.fixture(scope="module")
def cue(small_cue: Path) -> Cue:
    return read_cue(small_cue)


@pytest.mark.parametrize("channels", [1, 2])
def test_a_click_returns_the_response(cue: Cue, channels: int) -> None:
    """One sample in each channel of a stem comes back as the placement's responses."""
    track = cue.tracks[0]
    placement = replace(track.start, pan=-0.4, width=0.7, blend_db=(0.0, -3.0, OFF_DB, -6.0))
    responses = channel_responses(cue, track, placement, channels)
    matrix = stereo_matrix(DRY_LAYOUT, placement)
    taps = max(pair[0].shape[-1] for pair in responses)
    click = np.zeros((channels, taps + 100), dtype=np.float32)
    click[:, 100] = 1.0
    early, late = place_dry(click, responses, matrix)
    for found, part in ((early, 0), (late, 1)):
        expected = np.zeros((2, taps))
        for pair in responses:
            expected[:, : pair[part].shape[-1]] += matrix @ pair[part]
        scale = np.max(np.abs(expected))
        np.testing.assert_allclose(found[:, 100:], expected, atol=1e-5 * scale)
        np.testing.assert_allclose(found[:, :100], 0.0, atol=1e-5 * scale)


def test_aligning_delays_the_close_position_alone(cue: Cue) -> None:
    """The close sound then arrives with the first of the tree; nothing else moves."""
    track = cue.tracks[0]
    plain = channel_responses(cue, track, track.start, 1)[0]
    aligned = channel_responses(cue, track, replace(track.start, aligned=True), 1)[0]
    moved = None
    for before, after in zip(plain, aligned, strict=True):
        np.testing.assert_array_equal(before[1:], after[1:])
        lags = [k for k in range(2000) if np.array_equal(before[0, : 4000 - k], after[0, k:4000])]
        moved = lags if moved is None else [k for k in lags if k in moved]
    assert len(moved) == 1
    # the direct path to the tree is a few metres longer than the close one
    assert 1.0 < moved[0] / RATE * 343.0 < 6.0
    onset = [np.argmax(np.abs(channel) > 0.3 * np.abs(channel).max()) for channel in aligned[0][:3]]
    assert min(abs(onset[0] - onset[1]), abs(onset[0] - onset[2])) <= 3


def test_late_fields_differ_by_name_not_by_order(cue: Cue) -> None:
    """A track keeps its reverberation when others come or go; two tracks never share one."""
    seeds = [response_seed(1, track) for track in cue.tracks]
    assert len(set(seeds)) == len(seeds)
    assert seeds == [response_seed(1, replace(track, fixed=True)) for track in cue.tracks]
    assert response_seed(2, cue.tracks[0]) != seeds[0]


def test_a_track_without_a_seat_has_no_responses(cue: Cue) -> None:
    """Misuse is told, not guessed around."""
    with pytest.raises(ValueError, match="horns needs a seat"):
        channel_responses(cue, cue.tracks[2], cue.tracks[2].start, 1)


def test_set_back_meets_its_loudness() -> None:
    """The gain brings any sound to the loudness asked for; silence is left alone."""
    rng = np.random.default_rng(1)
    sound = (0.03 * rng.standard_normal((2, RATE))).astype(np.float32)
    gain = amplitude(set_back(sound, RATE, -31.0))
    assert integrated_loudness(gain * sound, RATE) == pytest.approx(-31.0, abs=0.01)
    assert set_back(np.zeros_like(sound), RATE, -31.0) == 0.0
    assert set_back(sound, RATE, -np.inf) == 0.0


def test_a_recorded_track_is_told_apart_without_loss(small_judge: Judge) -> None:
    """Early and late of a recorded track add up to what is measured; neither is negative."""
    material = small_judge.material
    track, passage, table = material.cue.tracks[2], material.passages[2], material.tables[2]
    filters = band_filters(RATE)
    for placement in (track.start, Placement(None, (OFF_DB, 0.0), pan=0.5, width=0.4)):
        audio = recorded_audio(passage.samples, passage.layout, placement, 0)
        placed = placed_from_recorded(
            track, table, placement, audio=audio, make_up_db=0.0, filters=filters
        )
        assert placed.early[:2].min() >= 0.0
        assert placed.late[:2].min() >= 0.0
        whole = placed.early_total + placed.late_total
        mean_square = np.mean(np.square(audio), axis=-1)
        # all but what lies outside the 39 bands
        np.testing.assert_allclose(whole[:2].sum(-1), mean_square, rtol=0.1)


@pytest.mark.parametrize("pan", [-1.0, -0.98, 0.3, 1.0])
def test_hard_panned_recorded_tracks_keep_their_room(small_judge: Judge, pan: float) -> None:
    """A silent side does not decide: early against late stays what the centred track has."""
    material = small_judge.material
    track, passage, table = material.cue.tracks[2], material.passages[2], material.tables[2]
    filters = band_filters(RATE)
    ratio = []
    for side in (0.0, pan):
        placement = Placement(None, (0.0, -3.0), pan=side, width=0.0)  # both sides alike
        placed = placed_from_recorded(
            track,
            table,
            placement,
            audio=recorded_audio(passage.samples, passage.layout, placement, 0),
            make_up_db=0.0,
            filters=filters,
        )
        ratio.append(placed.late[:2].sum() / placed.early[:2].sum())
    assert ratio[0] > 0.0
    assert ratio[1] == pytest.approx(ratio[0], rel=0.02)


def test_shares_follow_the_model() -> None:
    """What is the model's own sum is told apart exactly; other levels in its proportion."""
    early = np.array([4.0, 1.0, 1.5, 0.5])[:, None]
    late = np.array([1.0, 1.0, 0.1, -0.2])[:, None]
    for level in (1.0, 0.01):
        near, far = share_out(level * (early + late), early, late)
        np.testing.assert_allclose(near, level * early, rtol=1e-6)
        np.testing.assert_allclose(far, level * late, rtol=1e-6)
    near, far = share_out(early, early, np.zeros_like(early))
    np.testing.assert_allclose(near, early, rtol=1e-6)
    assert not far.any()


def test_recorded_positions_add_up(small_judge: Judge) -> None:
    """Mixing is linear: both positions together are the sum of each alone."""
    passage = small_judge.material.passages[2]

    def heard(blend: tuple[float, float]) -> np.ndarray:
        placement = Placement(None, blend, pan=-0.3, width=0.8)
        return recorded_audio(passage.samples, passage.layout, placement, 0)

    both = heard((-4.0, -2.0))
    apart = heard((-4.0, OFF_DB)) + heard((OFF_DB, -2.0))
    np.testing.assert_allclose(both, apart, atol=1e-6)
