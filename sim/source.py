"""Where an instrument or a section plays, how wide it sits and how it radiates.

*Conventions*: stage coordinates in m. A section is heard as a few players spread evenly over its
width; in the lowest bands they speak as one point in the middle, because copies of one signal a
few metres apart would thin the lows by interference.

`Source`: the record. `players`: positions of the points; `shares`: amplitude of each per octave;
`delays`: how far the outer players lag.

Sources
-------
The sharing of energy between players is this project's own simple law; spacing of players about
1.5 m: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.directivity import FAMILIES
from sim.images import REFLECTION_OCTAVES
from sim.microphones import SOURCE_HEIGHT

FloatArray = NDArray[np.floating[Any]]

MOST_PLAYERS = 7
"""Points that stand for even the widest section."""

OUTER_SHARE = (0.0001, 0.1, 0.35, 0.5, 0.5, 0.5, 0.5, 0.5)
"""Share of the energy given to the players beside the middle one, per `REFLECTION_OCTAVES`."""

LAGS = (0.0029, 0.0043, 0.0056)
"""Delay in s of the first, second and third player either side: dense, even colouring."""


@dataclass(frozen=True, slots=True)
class Source:
    """An instrument or a section.

    Attributes
    ----------
    position : (x, y) or (x, y, z) in m; without z the instrument is `SOURCE_HEIGHT` up
    width : m over which a section spreads; under 1 m it is one point
    family : a key of `sim.directivity.FAMILIES`

    Raises
    ------
    ValueError
        If a value is not allowed.
    """

    position: tuple[float, ...]
    width: float = 0.0
    family: str = "omni"

    def __post_init__(self) -> None:
        """Check the values; complete the position."""
        if len(self.position) not in (2, 3):
            raise ValueError(f"source position {self.position} has {len(self.position)} values")
        if not 0.0 <= self.width <= 40.0:
            raise ValueError(f"source width = {self.width} m is not between 0 and 40 m")
        if self.family not in FAMILIES:
            raise ValueError(f"source family {self.family!r} is none of {', '.join(FAMILIES)}")
        x, y, *rest = (float(value) for value in self.position)
        object.__setattr__(self, "position", (x, y, rest[0] if rest else SOURCE_HEIGHT))


def players(source: Source) -> FloatArray:
    """Stage coordinates of the points that stand for a source; shape (player, 3), middle first."""
    pairs = 0
    if source.width >= 1.0:
        pairs = int(np.clip(np.round(source.width / 3.0), 1, (MOST_PLAYERS - 1) // 2))
    count = 2 * pairs + 1
    steps = np.arange(1, pairs + 1) * source.width / count
    offsets = np.concatenate([[0.0], np.stack([-steps, steps], axis=1).ravel()])
    points = np.tile(np.asarray(source.position), (count, 1))
    points[:, 0] += offsets
    return points


def shares(count: int) -> FloatArray:
    """Amplitude of each of `count` players per octave; squares sum to 1; (player, octave)."""
    if count == 1:
        return np.ones((1, len(REFLECTION_OCTAVES)))
    outer = np.asarray(OUTER_SHARE)
    energies = np.concatenate([(1.0 - outer)[None], np.tile(outer / (count - 1), (count - 1, 1))])
    amplitudes: FloatArray = np.sqrt(energies)
    return amplitudes


def delays(count: int) -> FloatArray:
    """Delay in s of each of `count` players, the same either side; shape (player,)."""
    lags: FloatArray = np.concatenate([[0.0], np.repeat(LAGS, 2)])[:count]
    return lags
