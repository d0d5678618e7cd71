"""Which moves gained most, which track is still hidden, and by whom.

*Conventions*: tracks are named by their number in the scene; shares are of a track's audibility.

`put_back`: a sounding with one track as it is in another. `thinned`: scene and soundings with few
enough frames to be judged many times. `gains_by_sound`: what moves gain, by the sound itself.
`gains_of_moves`: the same from a landscape. `hiders`: who hides a track. `most_hidden`: tracks from
the least audible on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from placer.cost.audibility import Audibility
from placer.cost.limits import TOLERANCE_DB
from placer.cost.objective import TERMS, Cost, evaluate, reference
from placer.cost.scene import IntArray, Scene, Sounding, Totals
from sim.decibel import FloatArray

MOST_CELLS = 6000
"""Tracks times frames that a sounding is thinned to."""

LEAST_FRAMES = 64
"""Frames that are kept however many the tracks."""


@dataclass(frozen=True, slots=True)
class MoveGain:
    """What one track's move is worth to the mix it is part of.

    Attributes
    ----------
    track : its number
    cost : by how much the weighted terms would be higher without the move, limits left out
    terms : the same of each term
    shares : (T,) audibility that every track has through the move
    broken : dB by which limits that hold would be missed without the move
    """

    track: int
    cost: float
    terms: dict[str, float]
    shares: FloatArray
    broken: dict[str, float]


def put_back(sounding: Sounding, start: Sounding, track: int) -> Sounding:
    """The sounding with one track as it is in `start`."""

    def _swapped(new: FloatArray, old: FloatArray) -> FloatArray:
        mixed = np.array(new)
        mixed[track] = old[track]
        return mixed

    names = ("early", "late", "direct", "thirds")
    totals = [_swapped(getattr(sounding.totals, n), getattr(start.totals, n)) for n in names]
    return replace(
        sounding,
        early=_swapped(sounding.early, start.early),
        late=_swapped(sounding.late, start.late),
        totals=Totals(*totals),
        seating=_swapped(sounding.seating, start.seating),
    )


def thinned(scene: Scene, soundings: Sequence[Sounding]) -> tuple[Scene, list[Sounding]]:
    """The same with evenly spaced frames only, where there are too many to judge again and again.

    Parameters
    ----------
    scene : Scene
    soundings : sequence of Sounding
        Of this scene.

    Returns
    -------
    Scene, list of Sounding
        Importance again sums to 1 for each track that sounds in the frames that are left.
    """
    count, _, frames = scene.importance.shape
    most = max(LEAST_FRAMES, MOST_CELLS // count)
    if frames <= most:
        return scene, list(soundings)
    picks = np.linspace(0, frames - 1, most).round().astype(int)
    kept = scene.importance[:, :, picks]
    sums = kept.sum((1, 2), keepdims=True)
    few = replace(scene, importance=kept / np.where(sums > 0.0, sums, 1.0))
    return few, [
        replace(one, early=one.early[..., picks], late=one.late[..., picks]) for one in soundings
    ]


def _weighted(scene: Scene, dearer: Cost, cost: Cost) -> dict[str, float]:
    """By how much each weighted term of one cost exceeds another's."""
    return {
        name: float(getattr(scene.weights, name) * (dearer.terms[name] - cost.terms[name]))
        for name in TERMS
    }


def gains_by_sound(
    scene: Scene, now: Sounding, start: Sounding, tracks: Sequence[int]
) -> list[MoveGain]:
    """What the moves of some tracks gain: each is put back, the others stay.

    Parameters
    ----------
    scene : Scene
    now, start : Sounding
        The mix, and the reference.
    tracks : sequence of int

    Returns
    -------
    list of MoveGain
        The greatest gain first.
    """
    scene, (now, start) = thinned(scene, (now, start))
    compared = reference(scene, start)
    whole = evaluate(scene, now, compared)
    found = []
    for track in tracks:
        without = evaluate(scene, put_back(now, start, track), compared)
        terms = _weighted(scene, without, whole)
        found.append(
            MoveGain(
                track=track,
                cost=sum(terms.values()),
                terms=terms,
                shares=whole.heard.share - without.heard.share,
                broken={
                    name: float(value)
                    for name, value in without.worst.items()
                    if value > TOLERANCE_DB >= whole.worst[name]
                },
            )
        )
    return sorted(found, key=lambda gain: -gain.cost)


def gains_of_moves(
    costs: Callable[[IntArray], FloatArray], state: IntArray, start: IntArray
) -> FloatArray:
    """What each track's move gains: the cost with that track put back, less the cost.

    Parameters
    ----------
    costs : callable
        States (N, T) to costs (N,), such as `CatalogueLandscape.costs`.
    state, start : (T,) IntArray
        Options of the mix, and of the reference.

    Returns
    -------
    (T,) FloatArray
        Above zero where the move helps; 0 for a track that has not moved.
    """
    count = len(state)
    states = np.repeat(np.asarray(state)[None], count + 1, axis=0)
    states[np.arange(count), np.arange(count)] = start
    found = costs(states)
    gains: FloatArray = found[:count] - found[count]
    return gains


def hiders(heard: Audibility, track: int, count: int = 3) -> list[tuple[int, float]]:
    """The tracks that hide one most, with the share of it that each hides.

    The track's own number stands for its late energy that blurs.
    """
    row = heard.hides[track]
    order = np.argsort(-row, kind="stable")[:count]
    return [(int(other), float(row[other])) for other in order if row[other] > 0.0]


def most_hidden(heard: Audibility) -> IntArray:
    """Track numbers from the least audible to the most, (T,)."""
    order: IntArray = np.argsort(heard.share, kind="stable")
    return order
