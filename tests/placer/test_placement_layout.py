"""A placement's matrix, and the same matrix seen as weights on energies."""

from __future__ import annotations

import numpy as np
import pytest

from placer.cue.records import OFF_DB, Placement
from placer.placement.layout import (
    DRY_FOLD,
    DRY_LAYOUT,
    Layout,
    covariance_weights,
    pack_gram,
    pan_gains,
    seat_side,
    stereo_matrices,
    stereo_matrix,
)

RECORDED = Layout(positions=("close", "tree"), channels=(1, 2))


@pytest.mark.parametrize("pan", np.linspace(-1, 1, 9))
def test_pan_keeps_power(pan: float) -> None:
    """Constant power: the squares of both gains sum to 1 wherever the layer is panned."""
    left, right = pan_gains(np.array(pan))
    assert left**2 + right**2 == pytest.approx(1.0, rel=1e-12)


def test_fold_down_of_a_centred_and_a_decorrelated_layer() -> None:
    """Closed forms: a coherent centre gains 6.02 dB in mono against one side, noise 3.01 dB."""
    rng = np.random.default_rng(1)
    noise = rng.standard_normal((3, 200_000))
    centred = stereo_matrix(RECORDED, Placement(None, (0.0, OFF_DB))) @ noise
    wide = stereo_matrix(RECORDED, Placement(None, (OFF_DB, 0.0))) @ noise
    for signal, gain_db in ((centred, 6.02), (wide, 3.01)):
        mono = np.mean((signal[0] + signal[1]) ** 2)
        side = np.mean(signal[0] ** 2)
        assert 10 * np.log10(mono / side) == pytest.approx(gain_db, abs=0.05)


def test_as_recorded_is_unity() -> None:
    """A stereo position in the middle at full width comes through unchanged."""
    layout = Layout(("tree",), (2,))
    np.testing.assert_allclose(
        stereo_matrix(layout, Placement(None, (0.0,))), np.eye(2), atol=1e-15
    )


def test_width_zero_is_mono_and_pans_anywhere() -> None:
    """At width 0 both sides get the same sum; a hard pan then leaves one side silent."""
    layout = Layout(("tree",), (2,))
    middle = stereo_matrix(layout, Placement(None, (0.0,), width=0.0))
    np.testing.assert_allclose(middle, np.full((2, 2), 0.5), atol=1e-15)
    left = stereo_matrix(layout, Placement(None, (0.0,), pan=-1.0, width=0.0))
    np.testing.assert_allclose(left[1], 0.0, atol=1e-15)


def test_pan_turns_a_track_and_the_hall_keeps_both_sides() -> None:
    """A dry track is turned as a recorded one is: close, tree and outriggers, not the hall."""
    dry = stereo_matrix(DRY_LAYOUT, Placement((0.0, 3.0), (0.0,) * 4, pan=1.0))
    np.testing.assert_allclose(dry[0, :5], 0.0, atol=1e-15)
    np.testing.assert_allclose(dry[:, 5:], np.eye(2), atol=1e-15)
    recorded = Layout(DRY_LAYOUT.positions, DRY_LAYOUT.channels)
    as_recorded = stereo_matrix(recorded, Placement(None, (0.0,) * 4, pan=1.0))
    np.testing.assert_allclose(as_recorded, dry, atol=1e-15)
    alone = stereo_matrix(Layout(("hall",), (2,)), Placement(None, (0.0,), pan=1.0))
    np.testing.assert_allclose(alone[0], 0.0, atol=1e-15)


@pytest.mark.parametrize("x", [-30.0, -4.4, 0.0, 2.0])
def test_a_close_microphone_stands_at_its_seats_side(x: float) -> None:
    """Unturned, the simulated close position is panned to its seat; width brings it inwards."""
    only_close = (0.0, OFF_DB, OFF_DB, OFF_DB)
    close = stereo_matrix(DRY_LAYOUT, Placement((x, 3.0), only_close))[:, 0]
    side = np.array(max(-0.7, min(0.7, x / 11.0)))
    np.testing.assert_allclose(close, pan_gains(side), atol=1e-12)
    narrow = stereo_matrix(DRY_LAYOUT, Placement((x, 3.0), only_close, width=0.0))[:, 0]
    np.testing.assert_allclose(narrow, close.mean(), atol=1e-12)


def test_off_positions_are_silent() -> None:
    """A position that is switched off contributes nothing at all."""
    matrix = stereo_matrix(RECORDED, Placement(None, (OFF_DB, 0.0)))
    assert not matrix[:, 0].any()


def test_tree_centre_goes_to_both_sides_equally() -> None:
    """The tree's centre is shared between both sides with its power kept."""
    centre = DRY_FOLD[:, 2]
    assert centre @ centre == pytest.approx(1.0)
    assert centre[1] == centre[2]


def test_covariance_weights_equal_mixing_and_measuring() -> None:
    """Weights times a packed Gram give what mixing the channels and measuring gives."""
    rng = np.random.default_rng(3)
    channels = rng.standard_normal((7, 500)) + 1j * rng.standard_normal((7, 500))
    placement = Placement((1.0, 2.0), (0.0, -3.0, -6.0, 1.5), pan=-0.4, width=0.6)
    matrix = stereo_matrix(DRY_LAYOUT, placement)
    left, right = matrix @ channels
    cross = np.vdot(right, left)
    expected = [np.vdot(left, left).real, np.vdot(right, right).real, cross.real, cross.imag]
    packed = pack_gram(channels @ channels.conj().T)
    np.testing.assert_allclose(covariance_weights(matrix) @ packed, expected, rtol=1e-10)


@pytest.mark.parametrize("layout", [DRY_LAYOUT, RECORDED, Layout(("hall",), (2,))])
def test_many_matrices_are_each_the_single_one(layout: Layout) -> None:
    """Worked out together or one by one, placements have the same matrices, bit for bit."""
    rng = np.random.default_rng(6)
    placements = [
        Placement(
            (float(rng.uniform(-9, 9)), 3.0) if layout == DRY_LAYOUT else None,
            tuple(np.where(rng.random(n) < 0.2, OFF_DB, rng.uniform(-20, 6, n)).tolist()),
            pan=float(rng.uniform(-1, 1)),
            width=float(rng.uniform(0, 1.3)),
        )
        for n in [len(layout.positions)] * 25
    ]
    many = stereo_matrices(
        layout,
        np.array([seat_side(one.seat) for one in placements]),
        blend_db=np.array([one.blend_db for one in placements]),
        pan=np.array([one.pan for one in placements]),
        width=np.array([one.width for one in placements]),
    )
    assert many.shape == (25, 2, layout.count)
    for matrix, one in zip(many, placements, strict=True):
        np.testing.assert_array_equal(matrix, stereo_matrix(layout, one))
    assert len({matrix.tobytes() for matrix in many}) > 20


def test_many_weights_are_each_the_single_one() -> None:
    """The same of the weights on packed Grams."""
    matrices = np.random.default_rng(7).standard_normal((5, 2, 7))
    np.testing.assert_array_equal(
        covariance_weights(matrices), np.stack([covariance_weights(one) for one in matrices])
    )
