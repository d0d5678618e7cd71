"""Which microphones listen, where they stand and what they take in.

*Conventions*: stage coordinates in m (conductor at the origin, x right, y towards the back, z up);
angles in degrees; `pattern` p of the first-order family p + (1 - p) cos(angle): 1 omni, 0.5
cardioid, 0 figure-eight. `side` is -1 (left channel), 0 (both), +1 (right channel).

`Microphone`: one capsule. `Tree`, `Pair`, `Close`: how arrays are set up. `Arrays`: all of them.

Sources
-------
Default geometry: common practice, no source (left and right of a three-microphone tree about 2 m
apart, its centre about 1 m forward, about 3 m up; a hall pair 6 to 15 m back; close microphones
0.5 to 2 m from the player). First-order family: Kinsler et al. (2000), Fundamentals of Acoustics.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Any

import numpy as np
from msgspec import Meta
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]
Length = Annotated[float, Meta(ge=0.1, le=100.0)]
Spacing = Annotated[float, Meta(ge=0.0, le=100.0)]
Coordinate = Annotated[float, Meta(ge=-100.0, le=100.0)]
"""m; beyond any stage: whether a place lies in the room is checked with the room."""
Pattern = Annotated[float, Meta(ge=0.0, le=1.0)]
Turn = Annotated[float, Meta(ge=-180.0, le=180.0)]
Tilt = Annotated[float, Meta(ge=-90.0, le=90.0)]

GROUPS = ("close", "tree", "outriggers", "hall")
"""Microphone positions that a dry track is heard through."""

SOURCE_HEIGHT = 1.2
"""Height of an instrument above the floor when a seat gives only x and y, m (seated player)."""


@dataclass(frozen=True, slots=True)
class Microphone:
    """One capsule.

    Attributes
    ----------
    position : (3,) m
    aim : (3,) direction it points in; made a unit vector
    pattern : 1 omni, 0.5 cardioid, 0 figure-eight, or anything between
    group : one of `GROUPS`
    side : -1 left, 0 both, +1 right

    Raises
    ------
    ValueError
        If a value is not allowed.
    """

    position: tuple[float, float, float]
    aim: tuple[float, float, float] = (0.0, 1.0, 0.0)
    pattern: float = 1.0
    group: str = "tree"
    side: int = 0

    def __post_init__(self) -> None:
        """Check the values and normalise the aim."""
        length = float(np.linalg.norm(self.aim))
        if not length > 0.0:
            raise ValueError(f"microphone aim {self.aim} has no direction; give (0, 1, 0)")
        if not 0.0 <= self.pattern <= 1.0:
            raise ValueError(f"microphone pattern = {self.pattern} is not between 0 and 1")
        if self.group not in GROUPS:
            raise ValueError(f"microphone group {self.group!r} is none of {', '.join(GROUPS)}")
        if self.side not in (-1, 0, 1):
            raise ValueError(f"microphone side = {self.side} is none of -1, 0, 1")
        unit = tuple(float(value) / length for value in self.aim)
        object.__setattr__(self, "aim", unit)
        object.__setattr__(self, "position", tuple(float(value) for value in self.position))


def _aimed(azimuth_deg: float, elevation_deg: float) -> tuple[float, float, float]:
    """Return a unit vector: azimuth from straight ahead (+y) towards +x, elevation upwards."""
    azimuth, elevation = np.radians(azimuth_deg), np.radians(elevation_deg)
    flat = np.cos(elevation)
    return (
        float(flat * np.sin(azimuth)),
        float(flat * np.cos(azimuth)),
        float(np.sin(elevation)),
    )


@dataclass(frozen=True, slots=True)
class Tree:
    """Three microphones above the conductor: left, centre (forward), right.

    Attributes
    ----------
    spacing : m between left and right
    forward : m by which the centre stands nearer to the players
    height : m
    y : m of the left and right microphones
    pattern : of all three
    tilt_deg : how far all three look down
    """

    spacing: Spacing = 2.0
    forward: Coordinate = 1.0
    height: Length = 3.2
    y: Coordinate = 0.0
    pattern: Pattern = 1.0
    tilt_deg: Tilt = 20.0

    def microphones(self) -> tuple[Microphone, ...]:
        """Left, centre, right."""
        aim = _aimed(0.0, -self.tilt_deg)
        half = 0.5 * self.spacing
        places = ((-half, self.y, -1), (0.0, self.y + self.forward, 0), (half, self.y, 1))
        return tuple(
            Microphone((x, y, self.height), aim, self.pattern, "tree", side)
            for x, y, side in places
        )


@dataclass(frozen=True, slots=True)
class Pair:
    """Two microphones, mirrored about the middle of the stage.

    Attributes
    ----------
    spacing : m between them
    height : m
    y : m
    pattern : of both
    aim_deg : how far each is turned outwards from straight ahead (180: away from the stage)
    """

    spacing: Spacing
    height: Length
    y: Coordinate
    pattern: Pattern = 1.0
    aim_deg: Turn = 0.0

    def microphones(self, group: str) -> tuple[Microphone, ...]:
        """Left, right, as members of `group`."""
        half = 0.5 * self.spacing
        return tuple(
            Microphone(
                (side * half, self.y, self.height),
                _aimed(side * self.aim_deg, 0.0),
                self.pattern,
                group,
                side,
            )
            for side in (-1, 1)
        )


@dataclass(frozen=True, slots=True)
class Close:
    """One microphone a seat, on the conductor's side of it.

    Attributes
    ----------
    distance : m from the instrument to the microphone
    height : m above the floor; no higher than `distance` allows
    angle_deg : how far it is turned from the conductor's side towards the outside of the stage
    pattern : it aims at the instrument
    """

    distance: Annotated[float, Meta(ge=0.2, le=5.0)] = 1.2
    height: Length = 1.8
    angle_deg: Turn = 0.0
    pattern: Pattern = 0.5

    def __post_init__(self) -> None:
        """Check the distance."""
        if not 0.2 <= self.distance <= 5.0:
            raise ValueError(
                f"microphones.close.distance = {self.distance} m is not between 0.2 and 5 m"
            )


@dataclass(frozen=True, slots=True)
class Arrays:
    """Every microphone of the recording.

    Attributes
    ----------
    tree, outriggers, hall : shared by all seats
    close : one for each seat
    """

    tree: Tree = field(default_factory=Tree)
    outriggers: Pair = field(default_factory=lambda: Pair(spacing=10.0, height=3.2, y=0.5))
    hall: Pair = field(default_factory=lambda: Pair(spacing=6.0, height=5.0, y=-10.0))
    close: Close = field(default_factory=Close)

    def shared(self) -> tuple[Microphone, ...]:
        """Tree left, centre, right; outriggers left, right; hall left, right."""
        return (
            *self.tree.microphones(),
            *self.outriggers.microphones("outriggers"),
            *self.hall.microphones("hall"),
        )

    def close_at(self, seat: tuple[float, ...] | FloatArray) -> Microphone:
        """Return the close microphone of a seat.

        Parameters
        ----------
        seat : (2,) or (3,) sequence of float
            Stage coordinates in m; without z the instrument is `SOURCE_HEIGHT` up.

        Returns
        -------
        Microphone
            Aimed at the instrument, `close.distance` away from it.
        """
        x, y = float(seat[0]), float(seat[1])
        z = float(seat[2]) if len(seat) > 2 else SOURCE_HEIGHT
        distance = self.close.distance
        rise = float(np.clip(self.close.height - z, 0.1 - z, distance))
        flat = float(np.sqrt(max(distance**2 - rise**2, 0.0)))
        radius = float(np.hypot(x, y))
        towards = (-x / radius, -y / radius) if radius > 1e-6 else (0.0, -1.0)
        # towards the outside: clockwise (seen from above) left of the middle, else the other way
        turn = np.radians(self.close.angle_deg) * (-1.0 if x < 0.0 else 1.0)
        dx = towards[0] * np.cos(turn) - towards[1] * np.sin(turn)
        dy = towards[0] * np.sin(turn) + towards[1] * np.cos(turn)
        offset = (float(flat * dx), float(flat * dy), rise)
        position = (x + offset[0], y + offset[1], z + offset[2])
        aim = (-offset[0], -offset[1], -offset[2])
        return Microphone(position, aim, self.close.pattern, "close", 0)
