"""The best few mixes that a listener can tell apart.

Two candidates are as different as their tracks are, each by its weight: a track counts with how far
its lateral place, its direct-to-reverberant ratio and its blend differ, each in steps that are just
clearly heard. An *idea* is a candidate and all dearer ones that sound nearly like it. Every idea is
heard from once, cheapest first, before any idea is heard from twice.

*Conventions*: (N, ...) candidates first, (T,) tracks; costs are minimised. A difference of 1 means
that every track is one clear step away, or a fifth of them as far as counts.

Functions: `differences`, `choose`, `moved_most`.

Sources
-------
Steps: 3 dB of direct-to-reverberant ratio (just noticeable: 2-3 dB at 0 and +10 dB, Larsen et al.
2008). Lateral place 7.4 degrees: 4 dB of level difference near the centre by the tangent law (the
quarter of a full shift, Lee and Rumsey 2013, 17 dB); blend 3 dB. These two, `MOST_STEPS` and the
thresholds are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]

LATERAL_STEP_DEG = 7.4
DRR_STEP_DB = 3.0
BLEND_STEP_DB = 3.0

MOST_STEPS = 5.0
"""Steps beyond which a track differs no more: hard left is not ten times as different as half."""

AUDIBLE = 0.15
"""Least difference between two chosen candidates."""

DISTINCT = 0.5
"""Difference from which a candidate is an idea of its own."""

NEARNESS_PRICE = 0.5
"""What a second helping pays, in spans of cost, for full likeness to one already chosen."""


@dataclass(frozen=True, slots=True)
class Features:
    """What can be heard of each candidate.

    Attributes
    ----------
    lateral_deg : (N, T) lateral place of each track
    drr_db : (N, T) direct-to-reverberant ratio
    blend_db : (N, T, P) level of each microphone position in the track's own mix; floor it (say
        at -30 dB) so that an inaudible position cannot matter
    """

    lateral_deg: FloatArray
    drr_db: FloatArray
    blend_db: FloatArray

    def __post_init__(self) -> None:
        shape = self.lateral_deg.shape
        if self.drr_db.shape != shape or self.blend_db.shape[:2] != shape:
            raise ValueError(
                f"features disagree: lateral {shape}, drr {self.drr_db.shape},"
                f" blend {self.blend_db.shape}"
            )

    def steps(self, one: int | slice, other: int) -> FloatArray:
        """Difference of two candidates in clear steps, (..., T, 3): lateral, DRR, blend."""
        return np.stack(
            [
                np.abs(self.lateral_deg[one] - self.lateral_deg[other]) / LATERAL_STEP_DEG,
                np.abs(self.drr_db[one] - self.drr_db[other]) / DRR_STEP_DB,
                np.mean(np.abs(self.blend_db[one] - self.blend_db[other]), axis=-1) / BLEND_STEP_DB,
            ],
            axis=-1,
        )


@dataclass(frozen=True, slots=True)
class Choice:
    """One chosen candidate.

    Attributes
    ----------
    index : which candidate
    idea : number of its idea, 0 the cheapest
    nearest : difference to the most alike of those chosen before it (infinite for the first)
    """

    index: int
    idea: int
    nearest: float


def differences(features: Features, weight: FloatArray, other: int) -> FloatArray:
    """Difference of every candidate from one of them, (N,).

    Parameters
    ----------
    features : of N candidates
    weight : (T,) how much each track is heard, positive or 0
    other : the one
    """
    steps = np.linalg.norm(features.steps(slice(None), other), axis=-1)  # (N, T)
    share = weight / np.sum(weight)
    different: FloatArray = np.minimum(steps, MOST_STEPS) @ share
    return different


def choose(
    cost: FloatArray,
    features: Features,
    weight: FloatArray,
    *,
    count: int,
    audible: float = AUDIBLE,
    distinct: float = DISTINCT,
    worst_cost: float | None = None,
) -> tuple[Choice, ...]:
    """Choose up to `count` candidates, cheap and different, the cheapest first.

    Parameters
    ----------
    cost : (N,)
    features : of the same candidates
    weight : (T,) how much each track is heard
    count : most candidates to choose; fewer are chosen where no more differ audibly
    audible : least difference between any two chosen
    distinct : least difference between two ideas
    worst_cost : dearest cost worth hearing, for example the reference's

    Raises
    ------
    ValueError
        If there is no candidate, or sizes disagree.
    """
    cost = np.asarray(cost, dtype=float)
    if not len(cost) or features.lateral_deg.shape != (len(cost), len(weight)):
        raise ValueError(
            f"{len(cost)} costs and {len(weight)} weights do not fit features of shape"
            f" {features.lateral_deg.shape}"
        )
    order = np.argsort(cost, kind="stable")
    apart = np.stack([differences(features, weight, int(i)) for i in range(len(cost))])  # (N, N)
    idea = _ideas(order, apart, distinct)
    allowed = np.ones(len(cost), bool) if worst_cost is None else cost <= worst_cost
    allowed[order[0]] = True
    chosen = [int(order[0])]
    for i in order:  # one of each idea, cheapest first
        new = idea[i] not in idea[chosen]
        if len(chosen) < count and new and allowed[i] and np.min(apart[i, chosen]) >= audible:
            chosen.append(int(i))
    price = NEARNESS_PRICE * max(float(np.ptp(cost[allowed])), 1e-12)
    while len(chosen) < count:  # then the best of the rest, likeness being priced
        nearest = np.min(apart[:, chosen], axis=1)
        penalised = cost + price * np.exp(-nearest / distinct)
        penalised[~allowed | (nearest < audible)] = np.inf
        best = int(np.argmin(penalised))
        if not np.isfinite(penalised[best]):
            break
        chosen.append(best)
    return _described(sorted(chosen, key=lambda i: (cost[i], i)), idea, apart)


def _ideas(order: NDArray[np.intp], apart: FloatArray, distinct: float) -> NDArray[np.intp]:
    """Idea of each candidate: that of the nearest leader; leaders are far from cheaper leaders."""
    leaders: list[int] = []
    for i in order:
        if not leaders or np.min(apart[i, leaders]) >= distinct:
            leaders.append(int(i))
    idea: NDArray[np.intp] = np.argmin(apart[:, leaders], axis=1)
    return idea


def _described(
    chosen: Sequence[int], idea: NDArray[np.intp], apart: FloatArray
) -> tuple[Choice, ...]:
    return tuple(
        Choice(i, int(idea[i]), float(np.min(apart[i, chosen[:n]], initial=np.inf)))
        for n, i in enumerate(chosen)
    )


def moved_most(
    features: Features, weight: FloatArray, one: int, other: int, *, count: int = 3
) -> tuple[tuple[int, str, float, float], ...]:
    """What sets two candidates apart: (track, "lateral" | "drr" | "blend", from, to), most first.

    Values are degrees or dB; for a blend, of the position that changes most. Only what differs by
    a clear step is named.
    """
    steps = np.minimum(features.steps(one, other), MOST_STEPS)  # (T, 3)
    heard = steps * (weight / np.max(weight))[:, None]
    named = []
    for flat in np.argsort(-heard, axis=None, kind="stable")[: count * 3]:
        track, kind = divmod(int(flat), 3)
        if steps[track, kind] >= 1 and heard[track, kind] > 0:
            named.append((track, *_change(features, track, kind, (one, other))))
    return tuple(named[:count])


def _change(
    features: Features, track: int, kind: int, pair: tuple[int, int]
) -> tuple[str, float, float]:
    one, other = pair
    if kind == 2:
        blend = features.blend_db[:, track]
        position = int(np.argmax(np.abs(blend[other] - blend[one])))
        return "blend", float(blend[one, position]), float(blend[other, position])
    name, values = (("lateral", features.lateral_deg), ("drr", features.drr_db))[kind]
    return name, float(values[one, track]), float(values[other, track])
