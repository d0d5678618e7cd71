"""Rooms are described sensibly or refused with a useful word."""

from __future__ import annotations

import re

import numpy as np
import pytest

from sim.images import WALLS
from sim.room import TYPICAL_TIME, Room

SURFACES = tuple((wall, "wooden_lining") for wall in WALLS)


def test_wanted_time_is_eyrings() -> None:
    """Walls fitted to a wanted time give it back by Eyring's formula with air."""
    room = Room(reverberation_time=(2.0, 1.9, 1.8, 1.7, 1.6, 1.3, 0.8))
    np.testing.assert_allclose(room.eyring_time()[:7], room.reverberation_time, rtol=1e-9)


def test_surfaces_are_averaged_by_area() -> None:
    """A carpeted floor counts by its share of the walls' area."""
    surfaces = tuple((wall, "curtains_cotton_0.5" if wall == "floor" else "hard_surface")
                     for wall in WALLS)  # fmt: skip
    room = Room(10.0, 20.0, 5.0, conductor=8.0, surfaces=surfaces)
    area = 2 * (10 * 20 + 20 * 5 + 10 * 5)
    expected = (200 * 0.30 + (area - 200) * 0.02) / area  # 125 Hz, science table
    assert room.mean_absorption()[0] == pytest.approx(expected, rel=1e-6)


def test_defaults_are_the_typical_times() -> None:
    """A room with nothing said about its sound takes typical times."""
    assert Room().reverberation_time == TYPICAL_TIME


def test_stage_to_room() -> None:
    """The conductor stands `conductor` m from the hall-side wall, midway between the sides."""
    room = Room(20.0, 30.0, 10.0, conductor=12.0)
    np.testing.assert_allclose(room.placed(np.array([0.0, 0.0, 1.0])), [10.0, 12.0, 1.0])
    np.testing.assert_allclose(room.placed(np.array([-3.0, 5.0, 1.0])), [7.0, 17.0, 1.0])


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"width": 1.0}, r"room\.width = 1\.0 m is not between 2\.0 and 200 m"),
        ({"depth": 201.0}, r"room\.depth = 201\.0 m is not between 2\.0 and 200 m"),
        ({"conductor": 40.0}, r"room\.conductor = 40\.0 m lies outside the room"),
        ({"humidity": 0.0}, r"room\.humidity = 0\.0 is not between 10 and 100"),
        ({"temperature": 90.0}, r"room\.temperature = 90\.0"),
        ({"reverberation_time": (1.0, 1.0)}, r"has 2 values; give 7"),
        (
            {"reverberation_time": (2.0,) * 7},
            r"2\.0 s at 8000 Hz .* 1\.6\d s, the longest that air",
        ),
        ({"reverberation_time": (0.15,) * 7}, r"absorb more than 95 %"),
        ({"surfaces": SURFACES, "reverberation_time": TYPICAL_TIME}, r"both given; keep one"),
        ({"surfaces": SURFACES[:5]}, r"name each of left, right"),
        ({"surfaces": (*SURFACES[:5], ("ceiling", "cheese"))}, r"'cheese' is not known"),
    ],
)
def test_refused(given: dict[str, object], message: str) -> None:
    """A room that cannot be is refused with the value, what is allowed and what to try."""
    with pytest.raises(ValueError, match=message):
        Room(**given)  # type: ignore[arg-type]


def test_outside() -> None:
    """A seat outside the room is named with the room's limits in stage coordinates."""
    room = Room()
    x, front, back = room.width / 2, -room.conductor, room.depth - room.conductor
    limits = f"(x {-x:g} to {x:g}, y {front:g} to {back:g}, z 0 to {room.height:g} m)"
    said = f"seat at x, y, z = 3.00, 31.20, 1.20 m lies outside the room {limits}"
    with pytest.raises(ValueError, match=re.escape(said)):
        room.placed(np.array([3.0, 31.2, 1.2]), "seat")
