"""What the cost needs to know: the scene once, and what one candidate sounds like.

*Conventions*: tracks T first, frames F last, B bands. A covariance is LL, RR, Re(L conj R),
Im(L conj R) of the stereo mix, energies linear. "Early" is the direct sound with what follows it
within 80 ms, "late" the rest. Everything is checked here once and trusted afterwards.

`Scene`: what the composer and the stems say, the same for every candidate.
`Envelopes`: the sources' energy in each band and frame, from which the table level sounds.
`Sounding`: a candidate, from the table or from rendered audio alike.
`Totals`: long-term covariances of every track.
`Limits`: what a candidate may never do.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from placer.cue.records import Weights
from sim.decibel import FloatArray

IntArray = NDArray[np.integer[Any]]
BoolArray = NDArray[np.bool_]

__all__ = ["BoolArray", "Envelopes", "IntArray", "Limits", "Scene", "Sounding", "Totals", "Weights"]

LOW_COUNT = 11
"""Third-octave bands from 25 to 250 Hz."""


def _freeze(record: object, names: Iterable[str]) -> None:
    """Replace arrays by read-only views (the caller's own arrays stay writable)."""
    for name in names:
        view = np.asarray(getattr(record, name)).view()
        view.setflags(write=False)
        object.__setattr__(record, name, view)


def _check(name: str, array: FloatArray, shape: tuple[int, ...]) -> None:
    """Raise unless an array has the shape its neighbours imply and holds no NaN or infinity."""
    if array.shape != shape:
        raise ValueError(f"{name} has shape {array.shape}, expected {shape}")
    if not np.isfinite(array).all():
        raise ValueError(f"{name} holds NaN or infinity; look at the stem it was measured from")


@dataclass(frozen=True, slots=True)
class Limits:
    """How far a candidate may leave the reference, dB.

    Attributes
    ----------
    drier_db : less late energy of any movable track
    late_db : late energy of the whole mix, either way
    low_db : each 25-250 Hz third that matters, either way
    layer_low_db : each 25-250 Hz third that matters to any movable track, either way
    balance_db : left against right, whole and lows, unless the reference leans further
    side_db, room_side_db : left against right of any movable track, and of its late energy, unless
        the reference leans further: a layer is a place in a picture, not one loudspeaker
    trim_db : loudness of any movable track, either way
    mono_db : what a track, the whole or its lows may lose in a fold-down beyond the reference
    """

    drier_db: float = 6.0
    late_db: float = 1.0
    low_db: float = 1.5
    layer_low_db: float = 3.0
    balance_db: float = 1.5
    side_db: float = 15.0
    room_side_db: float = 9.0
    trim_db: float = 0.0
    mono_db: float = 3.0


@dataclass(frozen=True, slots=True)
class Totals:
    """Long-term covariances, plain (not spread) bands.

    Attributes
    ----------
    early, late : (T, 4, B); thirds : (T, 4, 11) of early and late together
    """

    early: FloatArray
    late: FloatArray
    thirds: FloatArray

    def __post_init__(self) -> None:
        """Check the shapes against one another."""
        _freeze(self, ("early", "late", "thirds"))
        count, _, bands = self.early.shape
        _check("Totals.early", self.early, (count, 4, bands))
        _check("Totals.late", self.late, (count, 4, bands))
        _check("Totals.thirds", self.thirds, (count, 4, LOW_COUNT))


@dataclass(frozen=True, slots=True)
class Scene:
    """What the composer and the stems say, the same for every candidate.

    Attributes
    ----------
    names : T track names
    articulation : (T,) 0 (pad) to 1 (percussion), from the role
    weight : (T,) role times priority, 0 or more
    group : (T,) doubled layers share a number and do not mask one another; -1 is none
    movable : (T,) whether the search may place the track
    centres : (B,) Hz
    importance : (T, B, F) how much each cell of a track matters, 0 or more, summing to 1 a track
        (`placer.cost.prepare.importance`); a silent track may sum to 0
    listening : weights of headphones and loudspeakers, summing to 1
    weights : one weight a term
    limits : what a candidate may never do
    reference : Totals of the reference mix
    reference_mix, reference_mix_thirds : (4, B) and (4, 11) of the real sum of the reference, for
        scenes whose soundings carry theirs (`Sounding.mix`); None where tracks add in energy
    """

    names: tuple[str, ...]
    articulation: FloatArray
    weight: FloatArray
    group: IntArray
    movable: BoolArray
    centres: FloatArray
    importance: FloatArray
    reference: Totals
    listening: tuple[float, float] = (0.5, 0.5)
    weights: Weights = field(default_factory=Weights)
    limits: Limits = field(default_factory=Limits)
    reference_mix: FloatArray | None = None
    reference_mix_thirds: FloatArray | None = None

    def __post_init__(self) -> None:
        """Check every array against the number of tracks and bands."""
        _freeze(self, ("articulation", "weight", "group", "movable", "centres", "importance"))
        count, bands = len(self.names), len(self.centres)
        for name in ("articulation", "weight", "group", "movable"):
            _check(f"Scene.{name}", getattr(self, name), (count,))
        _check("Scene.importance", self.importance, (count, bands, self.importance.shape[-1]))
        _check("Scene.reference.early", self.reference.early, (count, 4, bands))
        if self.reference_mix is not None:
            _check("Scene.reference_mix", self.reference_mix, (4, bands))
        if self.reference_mix_thirds is not None:
            _check("Scene.reference_mix_thirds", self.reference_mix_thirds, (4, LOW_COUNT))
        sums = self.importance.sum((1, 2))
        if self.importance.min() < 0.0 or not np.all((np.abs(sums - 1.0) < 1e-3) | (sums == 0.0)):
            raise ValueError(f"Scene.importance must sum to 1 for each track, got {sums}")
        if self.weight.min() < 0.0 or self.weight.sum() <= 0.0:
            raise ValueError(f"Scene.weight must be 0 or more, some above 0, got {self.weight}")
        if min(self.listening) < 0.0 or abs(sum(self.listening) - 1.0) > 1e-6:
            raise ValueError(f"Scene.listening must sum to 1, got {self.listening}")


@dataclass(frozen=True, slots=True)
class Envelopes:
    """Energy of every source, per unit response gain.

    Attributes
    ----------
    early, late : (T, B, F) excitation (roex-spread); late is smeared by the room's decay
    frame_weight : (F,) share of the analysed time that each frame stands for, summing to 1
    power : (T, B) mean plain power; third_power : (T, 11)
    """

    early: FloatArray
    late: FloatArray
    frame_weight: FloatArray
    power: FloatArray
    third_power: FloatArray

    def __post_init__(self) -> None:
        """Check the shapes against one another."""
        names = ("early", "late", "frame_weight", "power", "third_power")
        _freeze(self, names)
        count, bands, frames = self.early.shape
        shapes = ((count, bands, frames),) * 2 + ((frames,), (count, bands), (count, LOW_COUNT))
        for name, shape in zip(names, shapes, strict=True):
            _check(f"Envelopes.{name}", getattr(self, name), shape)


@dataclass(frozen=True, slots=True)
class Sounding:
    """What one candidate sounds like, from the table or from rendered audio.

    Attributes
    ----------
    early, late : (T, 4, B, F) excitation covariances in the channels
    totals : long-term covariances of every track
    seating : (T,) distance from usual seating, m
    shortfall_lu : LU that the loudness target is missed by at the true-peak ceiling
    mix : (4, B) plain covariance of the real sum of all tracks, or None where only the separate
        tracks are known and they are taken to add in energy
    mix_thirds : (4, 11) likewise
    """

    early: FloatArray
    late: FloatArray
    totals: Totals
    seating: FloatArray
    shortfall_lu: float = 0.0
    mix: FloatArray | None = None
    mix_thirds: FloatArray | None = None

    def __post_init__(self) -> None:
        """Check the shapes against one another."""
        _freeze(self, ("early", "late", "seating"))
        count, _, bands, frames = self.early.shape
        _check("Sounding.early", self.early, (count, 4, bands, frames))
        _check("Sounding.late", self.late, (count, 4, bands, frames))
        _check("Sounding.totals.early", self.totals.early, (count, 4, bands))
        _check("Sounding.seating", self.seating, (count,))
        if self.mix is not None:
            _check("Sounding.mix", self.mix, (4, bands))
        if self.mix_thirds is not None:
            _check("Sounding.mix_thirds", self.mix_thirds, (4, LOW_COUNT))
