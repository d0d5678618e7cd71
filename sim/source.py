"""Where an instrument or a section plays, how wide it sits and how it radiates.

*Conventions*: stage coordinates in m. A section's reflections come from a few players spread
evenly over its width (in the lowest bands from the middle alone, because copies of one signal a
few metres apart would thin the lows by interference). Its direct sound keeps the level and the
spectrum of a point in the middle, but is spread over as much time as lies between the section's
two ends: an all-pass, so that width colours nothing and thins nothing, while two microphones hear
the section less alike the wider it sits.

`Source`: the record. `players`: positions of the points; `shares`: amplitude of each per octave;
`spread`: the all-pass of the direct sound.

Sources
-------
Schroeder & Logan (1961), J. Audio Eng. Soc. 9, 192-197: the all-pass (g + z) / (1 + g z). Its use
here, the sharing of energy between players and their number are this project's own simple law.
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

ALL_PASS = 0.5
"""Coefficient g of the all-pass."""

ALL_PASS_STEPS = 9
"""Echoes kept of it: the next one would be at -58 dB."""

LONGEST_SPREAD = 0.004
"""Longest step of the all-pass, s: within the 6 ms that are heard as direct sound."""

FAR_END = 0.75
"""The step is shorter by this where the right end is nearer, so that mirrored microphones of a
section in the middle do not hear the very same."""


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


def spread(steps: FloatArray) -> tuple[FloatArray, FloatArray]:
    """All-pass (g + z) / (1 + g z) as a train of echoes, z a delay of one step.

    Parameters
    ----------
    steps : (mic,) FloatArray
        Later arrival of the right end of the section than of the left one, s; negative where the
        right end is nearer.

    Returns
    -------
    (mic, echo) FloatArray
        Delays in s.
    (echo,) FloatArray
        Amplitudes; their squares sum to 1 and they sum to 1 (less than 0.3 % is cut off).
    """
    step = np.minimum(np.abs(steps), LONGEST_SPREAD) * np.where(steps < 0.0, FAR_END, 1.0)
    count = np.arange(ALL_PASS_STEPS + 1)
    amplitudes = (1.0 - ALL_PASS**2) * np.power(-ALL_PASS, count - 1.0)
    amplitudes[0] = ALL_PASS
    return step[:, None] * count, amplitudes
