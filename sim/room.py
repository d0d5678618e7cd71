"""What room the orchestra plays in: its size, its surfaces or its wanted reverberation time.

*Conventions*: m, s, Hz. Stage coordinates: the conductor at (0, 0, 0), x to the right, y towards
the back of the stage, z up. Room coordinates: the same axes from the lower left hall-side corner,
so room = stage + (width / 2, conductor, 0). The front wall is behind the conductor (hall side),
the back wall behind the players.

`Room`: the record. A wanted time is turned into the same absorption on all walls by Eyring's
formula with air (which keeps early energy in step with the energy theory); the decay of the late
part is then fitted so that the T30 of the finished response meets the wanted one (`sim.decay`).

Sources
-------
Kuttruff (2009), Room Acoustics, ch. 5 (Eyring). Typical times of the default room: common
practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
from msgspec import Meta
from numpy.typing import NDArray

from sim.air import attenuation, sound_speed
from sim.bands import OCTAVES
from sim.images import REFLECTION_OCTAVES, WALLS, material
from sim.reverberation import air_time, eyring, eyring_absorption

FloatArray = NDArray[np.floating[Any]]

TYPICAL_TIME = (1.8, 1.75, 1.7, 1.65, 1.5, 1.2, 0.8)
"""T30 in s of a mid-sized scoring stage in `OCTAVES` (common practice, no source)."""

SMALLEST_SIDE = 2.0
"""Shortest side of a room, m."""

Side = Annotated[float, Meta(ge=SMALLEST_SIDE, le=200.0)]

CLEARANCE = 0.05
"""How near to a wall anything may stand, m."""


@dataclass(frozen=True, slots=True)
class Room:
    """A rectangular room and where the conductor stands in it.

    Attributes
    ----------
    width, depth, height : m
    conductor : m from the wall behind the conductor (hall side) to the conductor
    reverberation_time : wanted T30 in s in `sim.bands.OCTAVES` (125 Hz to 8 kHz, 7 values)
    surfaces : instead, (wall, material) for each of left, right, front, back, floor, ceiling
    temperature : degrees Celsius
    humidity : per cent

    With neither times nor surfaces the room takes `TYPICAL_TIME`.

    Raises
    ------
    ValueError
        If a value is out of range; the message says which, what is allowed and what to try.
    """

    width: Side = 24.0
    depth: Side = 32.0
    height: Side = 12.0
    conductor: Annotated[float, Meta(ge=0.0, le=200.0)] = 15.0
    reverberation_time: tuple[Annotated[float, Meta(ge=0.1, le=20.0)], ...] | None = None
    surfaces: tuple[tuple[str, str], ...] | None = None
    temperature: Annotated[float, Meta(ge=-20.0, le=50.0)] = 20.0
    humidity: Annotated[float, Meta(ge=10.0, le=100.0)] = 50.0

    def __post_init__(self) -> None:
        """Check every value; take typical times where neither times nor surfaces are given."""
        self._check_size()
        if self.reverberation_time is None and self.surfaces is None:
            object.__setattr__(self, "reverberation_time", TYPICAL_TIME)
        if self.reverberation_time is not None and self.surfaces is not None:
            raise ValueError(
                "room.reverberation_time and room.surfaces are both given; keep one of them"
            )
        if self.surfaces is not None:
            self._check_surfaces(dict(self.surfaces))
        if self.reverberation_time is not None:
            self._check_times(np.asarray(self.reverberation_time, dtype=np.float64))

    def _check_size(self) -> None:
        for name in ("width", "depth", "height"):
            value = getattr(self, name)
            if not SMALLEST_SIDE <= value <= 200.0:
                raise ValueError(
                    f"room.{name} = {value} m is not between {SMALLEST_SIDE} and 200 m"
                )
        if not 0.0 < self.conductor < self.depth:
            raise ValueError(
                f"room.conductor = {self.conductor} m lies outside the room (0 to {self.depth} m); "
                "it is counted from the wall behind the conductor"
            )
        if not -20.0 <= self.temperature <= 50.0:
            raise ValueError(f"room.temperature = {self.temperature} is not between -20 and 50 C")
        if not 10.0 <= self.humidity <= 100.0:
            raise ValueError(f"room.humidity = {self.humidity} is not between 10 and 100 %")

    def _check_surfaces(self, surfaces: dict[str, str]) -> None:
        if sorted(surfaces) != sorted(WALLS) or len(self.surfaces or ()) != len(WALLS):
            raise ValueError(
                f"room.surfaces names {', '.join(sorted(surfaces))}; name each of "
                f"{', '.join(WALLS)} once"
            )
        for name in surfaces.values():
            material(name)

    def _check_times(self, times: FloatArray) -> None:
        if times.shape != OCTAVES.shape:
            raise ValueError(
                f"room.reverberation_time has {times.size} values; give {OCTAVES.size}, "
                "one an octave from 125 Hz to 8 kHz"
            )
        longest = air_time(self.air(OCTAVES), speed=self.sound_speed)
        for octave, time, limit in zip(OCTAVES, times, longest, strict=True):
            if not 0.1 <= time < 0.98 * limit:
                raise ValueError(
                    f"room.reverberation_time = {time} s at {octave:.0f} Hz is not between 0.1 and "
                    f"{0.98 * limit:.2f} s, the longest that air allows; choose a shorter time"
                )
        if float(self.absorption().max()) > 0.95:
            raise ValueError(
                f"room.reverberation_time = {tuple(times)} s needs walls that absorb more than "
                "95 % in a room of this size; choose longer times or a smaller room"
            )

    @property
    def dimensions(self) -> tuple[float, float, float]:
        """Width, depth and height in m."""
        return (self.width, self.depth, self.height)

    @property
    def volume(self) -> float:
        """Volume in m3."""
        return self.width * self.depth * self.height

    @property
    def wall_areas(self) -> FloatArray:
        """Areas in m2 of `sim.images.WALLS`."""
        side, end = self.depth * self.height, self.width * self.height
        floor = self.width * self.depth
        return np.array([side, side, end, end, floor, floor])

    @property
    def area(self) -> float:
        """Area of all walls in m2."""
        return float(self.wall_areas.sum())

    @property
    def sound_speed(self) -> float:
        """Speed of sound in m/s."""
        return sound_speed(self.temperature)

    def air(self, frequency: FloatArray) -> FloatArray:
        """Energy attenuation of the air in 1/m at each frequency."""
        coefficient: FloatArray = attenuation(frequency, self.temperature, self.humidity)
        return coefficient

    def absorption(self) -> FloatArray:
        """Energy absorption coefficients of the walls; shape (6, octave), 125 Hz to 16 kHz."""
        if self.surfaces is not None:
            named = dict(self.surfaces)
            return np.array([material(named[wall]) for wall in WALLS])
        values = eyring_absorption(
            self.volume,
            self.area,
            np.asarray(self.reverberation_time, dtype=np.float64),
            air=self.air(OCTAVES),
            speed=self.sound_speed,
        )
        values = np.append(values, values[-1])  # the walls at 16 kHz are as at 8 kHz
        return np.tile(values, (len(WALLS), 1))

    def mean_absorption(self) -> FloatArray:
        """Absorption coefficient averaged over the walls' areas; shape (octave,)."""
        mean: FloatArray = self.wall_areas @ self.absorption() / self.area
        return mean

    def eyring_time(self) -> FloatArray:
        """Eyring's reverberation time with air in s; shape (octave,), 125 Hz to 16 kHz."""
        air = self.air(REFLECTION_OCTAVES)
        mean = self.mean_absorption()
        return eyring(self.volume, self.area, mean, air=air, speed=self.sound_speed)

    def placed(self, position: FloatArray, name: str = "position") -> FloatArray:
        """Room coordinates of points given in stage coordinates.

        Parameters
        ----------
        position : (..., 3) FloatArray
            Stage coordinates in m.
        name : str
            What an error calls the point.

        Returns
        -------
        (..., 3) FloatArray
            Room coordinates in m.

        Raises
        ------
        ValueError
            If a point lies outside the room or on its walls.
        """
        points: FloatArray = np.asarray(position, dtype=np.float64)
        points = points + np.array([0.5 * self.width, self.conductor, 0.0])
        inside = (points >= CLEARANCE) & (points <= np.asarray(self.dimensions) - CLEARANCE)
        if not inside.all():
            given = np.asarray(position)[~inside.all(axis=-1)].reshape(-1, 3)[0]
            raise ValueError(
                f"{name} at x, y, z = {', '.join(f'{v:.2f}' for v in given)} m lies outside the "
                f"room (x {-self.width / 2:g} to {self.width / 2:g}, y {-self.conductor:g} to "
                f"{self.depth - self.conductor:g}, z 0 to {self.height:g} m); move it or enlarge "
                "the room"
            )
        return points
