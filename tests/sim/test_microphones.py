"""Microphones stand and point where they are said to."""

from __future__ import annotations

import numpy as np
import pytest

from sim.microphones import Arrays, Close, Microphone, Pair, Tree


def test_shared_order_and_sides() -> None:
    """Tree left, centre, right; outriggers left, right; hall left, right."""
    shared = Arrays().shared()
    assert [m.group for m in shared] == ["tree"] * 3 + ["outriggers"] * 2 + ["hall"] * 2
    assert [m.side for m in shared] == [-1, 0, 1, -1, 1, -1, 1]
    assert all(np.sign(m.position[0]) == m.side for m in shared)


def test_tree_geometry() -> None:
    """Left and right stand `spacing` apart, the centre `forward` nearer to the players."""
    left, centre, right = Tree(spacing=1.6, forward=0.8, height=3.0, y=-0.2).microphones()
    assert right.position[0] - left.position[0] == pytest.approx(1.6)
    assert centre.position[1] - left.position[1] == pytest.approx(0.8)
    assert {m.position[2] for m in (left, centre, right)} == {3.0}


def test_a_tree_looks_down_at_the_players() -> None:
    """Tilted by 30 degrees, all three aim ahead and half a metre down in each metre of the way."""
    for microphone in Tree(tilt_deg=30.0).microphones():
        np.testing.assert_allclose(microphone.aim, (0.0, np.sqrt(0.75), -0.5), atol=1e-12)


def test_pair_turns_outwards() -> None:
    """The left of a pair turned 90 degrees outwards points to the left, the right to the right."""
    left, right = Pair(spacing=4.0, height=3.0, y=0.0, aim_deg=90.0).microphones("hall")
    np.testing.assert_allclose(left.aim, (-1.0, 0.0, 0.0), atol=1e-12)
    np.testing.assert_allclose(right.aim, (1.0, 0.0, 0.0), atol=1e-12)


@pytest.mark.parametrize("seat", [(3.0, 4.0), (-5.0, 2.0, 1.5), (0.0, 9.0), (0.0, 0.0)])
@pytest.mark.parametrize("distance", [0.5, 1.2, 2.5])
def test_close_distance_and_aim(seat: tuple[float, ...], distance: float) -> None:
    """A close microphone is `distance` from its instrument and points at it."""
    microphone = Arrays(close=Close(distance=distance)).close_at(seat)
    instrument = np.array([*seat[:2], seat[2] if len(seat) > 2 else 1.2])
    towards = instrument - microphone.position
    assert np.linalg.norm(towards) == pytest.approx(distance)
    np.testing.assert_allclose(microphone.aim, towards / distance, atol=1e-12)


def test_close_stands_on_the_conductors_side() -> None:
    """Without a turn the close microphone is nearer to the conductor than its seat."""
    microphone = Arrays().close_at((3.0, 4.0))
    assert np.hypot(*microphone.position[:2]) < 5.0
    assert microphone.position[0] / microphone.position[1] == pytest.approx(0.75)


def test_close_may_be_low_but_not_in_the_floor() -> None:
    """It stands as high as is asked for, at the least a hand's breadth above the floor."""
    for height, found in ((0.5, 0.5), (0.02, 0.1)):
        microphone = Arrays(close=Close(distance=2.0, height=height)).close_at((3.0, 4.0))
        assert microphone.position[2] == pytest.approx(found)


def test_close_turns_outwards_and_mirrors() -> None:
    """A turned close microphone goes towards the outside, alike on both sides of the stage."""
    arrays = Arrays(close=Close(angle_deg=40.0))
    right, left = arrays.close_at((3.0, 4.0)), arrays.close_at((-3.0, 4.0))
    assert right.position[0] > Arrays().close_at((3.0, 4.0)).position[0]
    np.testing.assert_allclose(np.array(left.position) * [-1, 1, 1], right.position)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"pattern": 1.5}, r"pattern = 1\.5 is not between 0 and 1"),
        ({"aim": (0.0, 0.0, 0.0)}, r"has no direction"),
        ({"group": "spot"}, r"'spot' is none of close, tree"),
        ({"side": 2}, r"side = 2 is none of"),
    ],
)
def test_refused(given: dict[str, object], message: str) -> None:
    """A microphone that cannot be is refused with what is allowed."""
    with pytest.raises(ValueError, match=message):
        Microphone((0.0, 0.0, 1.0), **given)  # type: ignore[arg-type]


def test_close_distance_refused() -> None:
    """A close microphone ten metres away is not close."""
    with pytest.raises(ValueError, match=r"close\.distance = 10\.0 m is not between 0\.2 and 5"):
        Close(distance=10.0)
