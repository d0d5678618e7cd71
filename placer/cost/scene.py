"""What the cost needs to know: the scene once, and what one candidate sounds like.

*Conventions*: tracks T first, frames F last, B bands. A covariance is LL, RR, Re(L conj R),
Im(L conj R) of the stereo mix, energies linear. "Early" is the direct sound with what follows it
within 80 ms, "late" the rest. Everything is checked here once and trusted afterwards.

`Scene`: what the composer and the stems say, the same for every candidate.
`Envelopes`: time templates of every track and band, from which the fast level sounds.
`Sounding`: a candidate, over templates or over all frames alike.
`Totals`: long-term covariances of every track.
`Limits`: what a candidate may never do.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from placer.cue.records import Weights
from sim.decibel import FloatArray

IntArray = NDArray[np.integer[Any]]
BoolArray = NDArray[np.bool_]

LOW_COUNT = 11
"""Third-octave bands from 25 to 250 Hz."""

TEMPLATES = 2
"""Time templates of a track and band."""


def _check(name: str, array: FloatArray, shape: tuple[int, ...]) -> None:
    """Raise unless an array has the shape its neighbours imply and holds no NaN or infinity."""
    if array.shape != shape:
        raise ValueError(f"{name} has shape {array.shape}, expected {shape}")
    if not np.isfinite(array).all():
        raise ValueError(f"{name} holds NaN or infinity; look at the stem it was measured from")


def _fix(record: object, shape: tuple[int, ...], *names: str) -> None:
    """Check arrays and replace them by read-only views (the caller's own stay writable)."""
    for name in names:
        view = np.asarray(getattr(record, name)).view()
        view.setflags(write=False)
        object.__setattr__(record, name, view)
        _check(f"{type(record).__name__}.{name}", view, shape)


ROOM_POINTS = 0.03
"""Share of all late energy that any track may have beyond a multiple of its own (a matter of taste,
no source): what has next to no room may get a little."""


@dataclass(frozen=True, slots=True)
class Limits:
    """How far a candidate may leave the reference, dB.

    Attributes
    ----------
    drier_db : less late energy of any movable track
    late_db : late energy of the whole mix, either way
    low_db : each 25-250 Hz third that matters, either way
    layer_low_db : each 25-250 Hz third that matters to any movable track, either way
    balance_db : left against right, whole and lows, in the passage and in the whole file, unless
        the reference leans further
    side_db, room_side_db : left against right of any movable track, and of its late energy, unless
        the reference leans further: a layer is a place in a picture, not one loudspeaker
    room_share : (factor, points) late energy of any movable track, as a share of all late energy of
        the reference mix: at most factor times its share there, plus points
    tone_mean_db, tone_most_db : band levels of any movable track above 250 Hz against one another,
        on average and anywhere
    contrast_db : weighted mean change of the direct against all other energy, either way
    trim_db : loudness of any movable track, either way
    mono_db : what a track, the whole or its lows may lose in a fold-down beyond the reference
    background_db : margin that a track outside the foreground may lose free of cost (no wall)
    """

    drier_db: float = 6.0
    late_db: float = 1.0
    low_db: float = 1.5
    layer_low_db: float = 3.0
    balance_db: float = 1.5
    side_db: float = 15.0
    room_side_db: float = 9.0
    room_share: tuple[float, float] = (1.5, ROOM_POINTS)
    tone_mean_db: float = 2.0
    tone_most_db: float = 6.0
    contrast_db: float = np.inf
    trim_db: float = 0.0
    mono_db: float = 3.0
    background_db: float = 0.5


@dataclass(frozen=True, slots=True)
class Totals:
    """Long-term covariances over the passage, plain (not spread) bands, absolute energies.

    Attributes
    ----------
    early, late : (T, 4, B); thirds : (T, 4, 11) of early and late together
    direct : (T, 4, B) the part of `early` within 6 ms of the direct sound
    """

    early: FloatArray
    late: FloatArray
    direct: FloatArray
    thirds: FloatArray

    def __post_init__(self) -> None:
        """Check the shapes against one another."""
        count, _, bands = self.early.shape
        _fix(self, (count, 4, bands), "early", "late", "direct")
        _fix(self, (count, 4, LOW_COUNT), "thirds")

    def part(self, some: slice | IntArray) -> Totals:
        """Some of the tracks (or options), in double precision."""
        names = ("early", "late", "direct", "thirds")
        return Totals(*(np.asarray(getattr(self, name)[some], float) for name in names))


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
    foreground : (T,) whether the track carries the music; where none does, all do
    centres : (B,) Hz
    importance : (T, B, F) how much each cell of a track matters, 0 or more, summing to 1 a track
        (`placer.cost.prepare.importance`); a silent track may sum to 0
    reference : Totals of the reference mix
    elsewhere : (T, 2) energy of a track in the whole file against that in the passage, K-weighted
        and of the lows: what balances in the passage must not lean where other tracks play
    loudness : of the reference mix, LUFS; its true peak, dBTP; and the LUFS wanted less the dBTP
        allowed
    listening : weights of headphones and loudspeakers, summing to 1
    weights : one weight a term
    limits : what a candidate may never do
    """

    names: tuple[str, ...]
    articulation: FloatArray
    weight: FloatArray
    group: IntArray
    movable: BoolArray
    foreground: BoolArray
    centres: FloatArray
    importance: FloatArray
    reference: Totals
    elsewhere: FloatArray
    loudness: tuple[float, float, float]
    listening: tuple[float, float] = (0.5, 0.5)
    weights: Weights = field(default_factory=Weights)
    limits: Limits = field(default_factory=Limits)

    def __post_init__(self) -> None:
        """Check every array against the number of tracks and bands."""
        count, bands = len(self.names), len(self.centres)
        _fix(self, (count,), "articulation", "weight", "group", "movable", "foreground")
        _fix(self, (bands,), "centres")
        _fix(self, (count, bands, self.importance.shape[-1]), "importance")
        _fix(self, (count, 2), "elsewhere")
        _check("Scene.reference.early", self.reference.early, (count, 4, bands))
        _check("Scene.loudness", np.asarray(self.loudness), (3,))
        sums = self.importance.sum((1, 2))
        if self.importance.min() < 0.0 or not np.all((np.abs(sums - 1.0) < 1e-3) | (sums == 0.0)):
            raise ValueError(f"Scene.importance must sum to 1 for each track, got {sums}")
        if self.weight.min() < 0.0 or self.weight.sum() <= 0.0:
            raise ValueError(f"Scene.weight must be 0 or more, some above 0, got {self.weight}")
        if min(self.listening) < 0.0 or abs(sum(self.listening) - 1.0) > 1e-6:
            raise ValueError(f"Scene.listening must sum to 1, got {self.listening}")

    @property
    def share(self) -> FloatArray:
        """Part (T,) of each track in all weight."""
        part: FloatArray = self.weight / self.weight.sum()
        return part

    @property
    def foreground_share(self) -> FloatArray:
        """Part (T,) of each track in the weight of the foreground; of all where none has any."""
        carried: FloatArray = self.weight * self.foreground
        total = carried.sum()
        part: FloatArray = carried / total if total > 0.0 else self.share
        return part

    @property
    def background_share(self) -> FloatArray:
        """Part (T,) of each track in the weight of what is no foreground; 0 where all is."""
        rest: FloatArray = self.weight * (self.foreground_share == 0.0)
        part: FloatArray = rest / max(float(rest.sum()), 1e-30)
        return part


@dataclass(frozen=True, slots=True)
class Envelopes:
    """How the energy of every track moves in time: what coefficients of an option multiply.

    Attributes
    ----------
    templates : (T, B, 2, F) excitation (roex-spread), 0 or more
    early, late : (T, 4, B, 2) coefficients of the reference
    """

    templates: FloatArray
    early: FloatArray
    late: FloatArray

    def __post_init__(self) -> None:
        """Check the shapes against one another."""
        count, bands, _, frames = self.templates.shape
        _fix(self, (count, bands, TEMPLATES, frames), "templates")
        _fix(self, (count, 4, bands, TEMPLATES), "early", "late")
        if self.templates.min() < 0.0:
            raise ValueError("Envelopes.templates must be 0 or more; look at the fit of envelopes")


@dataclass(frozen=True, slots=True)
class Sounding:
    """What one candidate sounds like, over templates or measured frame by frame.

    Attributes
    ----------
    early, late : (T, 4, B, F) excitation covariances in the channels
    totals : long-term covariances of every track
    seating : (T,) distance from usual seating, m
    """

    early: FloatArray
    late: FloatArray
    totals: Totals
    seating: FloatArray

    def __post_init__(self) -> None:
        """Check the shapes against one another."""
        count, _, bands, frames = self.early.shape
        _fix(self, (count, 4, bands, frames), "early", "late")
        _fix(self, (count,), "seating")
        _check("Sounding.totals.early", self.totals.early, (count, 4, bands))
