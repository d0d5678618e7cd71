"""How far the measured level and all frames of real convolution agree in their order of mixes.

    python -m tests.sampled.agreement CUE.toml [SECONDS] [PLACEMENTS]

The measured level holds 64 clustered frames on two time templates a band. Here every channel is
convolved, mixed by the placement's matrix and analysed in every frame, and the same terms of the
cost are worked out from that. Two populations: mixes at random, with the seats that a search looks
at first, and good ones, options of the best mixes of short searches mixed anew. The rank
correlation (Spearman) is given over each.
"""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import spearmanr

from placer.audio.envelopes import (
    band_filters,
    covariances,
    low_thirds,
    plain_covariance,
    quick_energies,
    spectra,
)
from placer.cost.attacks import STEP_S
from placer.cost.objective import Reference, evaluate, reference
from placer.cost.place_only import band_energy, place_only
from placer.cost.prepare import importance
from placer.cost.scene import Scene, Sounding, Totals
from placer.cue.read import read_cue
from placer.cue.records import Placement
from placer.placement.layout import stereo_matrix
from placer.placement.options import TrackSteps, place_of, seat_distances, spread
from placer.progress import Quiet
from placer.run import ladder
from placer.run.cue_scene import articulation_of
from placer.run.evaluator import Evaluator, Placements, attack_factors
from placer.run.ready import make_ready, survey_cue
from placer.run.rounds import Budget
from placer.run.unit_options import COARSE, seats_around
from sim.decibel import FloatArray, amplitude

SEARCHES, ROUNDS = 2, 4
"""Short searches whose mixes good states are mixed of, and rounds of each."""

SEATS = 3
"""Seats a track besides its own, among mixes at random."""

FEW = 6
"""Options a track that mixes at random are drawn from: every one costs a convolution."""

DRAWN = 4
"""Good mixes are the cheapest of so many times as many that are mixed of the searches' rungs."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """Rank correlations of costs at the measured level with those of all frames.

    Attributes
    ----------
    random, good : over mixes at random, and over good mixes
    spread, error : standard deviation of the good mixes' costs over all frames, and of the
        differences between the two levels
    offset : mean of these differences
    """

    random: float
    good: float
    spread: float
    error: float
    offset: float


@dataclass(frozen=True, slots=True)
class _Frames:
    """One placed track in every frame.

    Attributes
    ----------
    early, late : (4, B, F) excitation covariances
    totals : four arrays as in `Totals`, without the track's axis
    """

    early: FloatArray
    late: FloatArray
    totals: tuple[FloatArray, FloatArray, FloatArray, FloatArray]


class AllFrames:
    """The cost of mixes from real convolution in every frame.

    What recorded positions hold early and late cannot be heard apart: there the two coefficients
    of the fit are spread over all frames, so that clustering alone is looked at.

    Parameters
    ----------
    evaluator : Evaluator
    """

    def __init__(self, evaluator: Evaluator) -> None:
        self.evaluator = evaluator
        self._known: dict[tuple[int, Placement], _Frames] = {}
        starts = [self._placed(index, one) for index, one in enumerate(evaluator.starts)]
        early, late = (np.stack([getattr(one, n) for one in starts]) for n in ("early", "late"))
        own = evaluator.own
        rate = own.cue.sample_rate
        quick = [quick_energies(passage.samples, rate, STEP_S) for passage in own.passages]
        attacks = attack_factors(own.cue, quick, own.references)
        frames = early.shape[-1]
        self._weight = np.full(frames, 1.0 / frames)
        self._bands = band_energy(early, late, self._weight)
        self.scene: Scene = dataclasses.replace(
            evaluator.scene,
            importance=np.where(
                (evaluator.scene.importance.sum((1, 2)) > 0.0)[:, None, None],
                importance(early, late, articulation_of(own.cue), attacks=np.stack(attacks)),
                0.0,
            ),
            reference=_totals(starts),
        )
        self._compared: Reference = reference(self.scene, self._sounding(evaluator.starts))

    def _placed(self, index: int, placement: Placement) -> _Frames:
        """A placed track; every placement is convolved once."""
        key = (index, placement)
        if key not in self._known:
            self._known[key] = self._convolved(index, placement)
        return self._known[key]

    def _convolved(self, index: int, placement: Placement) -> _Frames:
        own = self.evaluator.own
        heard = own.heard(index, [placement])
        gain = amplitude(float(heard.make_up_db[0]))
        matrix = (gain * stereo_matrix(own.passages[index].layout, placement)).astype(np.float32)
        filters = band_filters(own.cue.sample_rate)
        sound = own.sound(index, place_of(placement))
        if sound.late is None:
            full = own.references[index].templates.full
            parts = [
                np.einsum("cbk,bkf->cbf", part[0], full, optimize=True)
                for part in (heard.early, heard.late)
            ]
            whole, later, direct = heard.totals[:, 0]
            return _Frames(*parts, (whole - later, later, direct, heard.thirds[0]))
        first, second = matrix @ sound.early, matrix @ sound.late
        before, after = spectra(first, filters), spectra(second, filters)
        whole = plain_covariance(before + after, filters.plain)
        later = plain_covariance(after, filters.plain)
        # direct sound by the share of each channel, as real sound that is so much softer
        share = np.sqrt(sound.direct_share)[:, None].astype(np.float32)
        direct = plain_covariance(spectra(matrix @ (share * sound.early), filters), filters.plain)
        thirds = low_thirds(first + second, own.cue.sample_rate)
        return _Frames(
            covariances(before, filters),
            covariances(after, filters),
            (_possible(whole - later), later, direct, thirds),
        )

    def _sounding(self, mix: Sequence[Placement]) -> Sounding:
        tracks = self.evaluator.cue.tracks
        placed = [self._placed(index, one) for index, one in enumerate(mix)]
        early, late = place_only(
            np.stack([one.early for one in placed]),
            np.stack([one.late for one in placed]),
            self._weight,
            self._bands,
        )
        seating = [seat_distances(t, [one])[0] for t, one in zip(tracks, mix, strict=True)]
        return Sounding(early, late, _totals(placed), np.array(seating))

    def cost(self, mix: Sequence[Placement]) -> float:
        """Cost of one mix, one placement a track; the effort of a hand is not part of it."""
        return evaluate(self.scene, self._sounding(mix), self._compared).total


def _possible(covariance: FloatArray) -> FloatArray:
    return np.concatenate([np.maximum(covariance[:2], 0.0), covariance[2:]])


def _totals(placed: Sequence[_Frames]) -> Totals:
    return Totals(*(np.stack([one.totals[n] for one in placed]).astype(float) for n in range(4)))


def random_mixes(evaluator: Evaluator, count: int, rng: np.random.Generator) -> list[Placements]:
    """Mixes of placements over all that each track may do, at its seat and at some others."""
    cue, offered = evaluator.cue, []
    for track, movable in zip(cue.tracks, evaluator.scene.movable, strict=True):
        start = track.start
        places = [place_of(start)]
        if start.seat is not None and movable:
            seats = seats_around(track, start.seat, cue.room, COARSE)[:SEATS]
            places += [(seat, start.aligned) for seat in seats]
        hand = TrackSteps(track, cue.search.most_gain_db)
        some = spread(hand, places, count=FEW, trim_db=0.0, rng=rng) if movable else [start]
        offered.append(some)
    return [tuple(some[int(rng.integers(len(some)))] for some in offered) for _ in range(count)]


def good_mixes(evaluator: Evaluator, count: int, rng: np.random.Generator) -> list[Placements]:
    """The best of mixes in which each track is as in a rung of short searches, or at its start."""
    rungs: list[ladder.Rung] = []
    usual = ladder.ROUNDS
    ladder.ROUNDS = ROUNDS
    try:
        for seed in range(SEARCHES):
            found = ladder.search_rungs(evaluator, evaluator.own, seed=seed, budget=Budget())
            rungs += found.rungs
    finally:
        ladder.ROUNDS = usual
    best = min(rungs, key=lambda rung: rung.cost).placements
    every = (best, evaluator.starts, *(rung.placements for rung in rungs))
    options = [list(dict.fromkeys(mix[t] for mix in every)) for t in range(len(best))]
    drawn = rng.integers([len(some) for some in options], size=(DRAWN * count, len(best)))
    states = np.unique(np.where(rng.random(drawn.shape) < 0.7, 0, drawn), axis=0)
    costs = evaluator.landscape(evaluator.own, options).costs(states)
    chosen = states[np.argsort(costs, kind="stable")[:count]]
    return [tuple(some[k] for some, k in zip(options, s, strict=True)) for s in chosen]


def agreement(evaluator: Evaluator, *, count: int = 60, seed: int = 5) -> Agreement:
    """Compare the measured level with all frames.

    Parameters
    ----------
    evaluator : Evaluator
    count : int
        Mixes of either population.
    seed : int

    Returns
    -------
    Agreement
    """
    rng = np.random.default_rng(seed)
    frames = AllFrames(evaluator)
    pairs = []
    for mixes in (random_mixes(evaluator, count, rng), good_mixes(evaluator, count, rng)):
        measured = [evaluator.breakdown(evaluator.own, mix).total for mix in mixes]
        pairs.append((np.array(measured), np.array([frames.cost(mix) for mix in mixes])))
    random, good = (float(spearmanr(*pair).statistic) for pair in pairs)
    measured, real = pairs[1]
    apart = measured - real
    return Agreement(random, good, float(real.std()), float(apart.std()), float(apart.mean()))


def evaluator_of(path: Path, seconds: float | None) -> Evaluator:
    """Everything that judges a cue, on a passage of some length."""
    cue = read_cue(path)
    if seconds is not None:
        cue = dataclasses.replace(cue, excerpt_length=seconds)
    return make_ready(survey_cue(cue, Quiet()), Quiet())


if __name__ == "__main__":
    length = float(sys.argv[2]) if len(sys.argv) > 2 else None
    number = int(sys.argv[3]) if len(sys.argv) > 3 else 60
    sys.stdout.write(f"{agreement(evaluator_of(Path(sys.argv[1]), length), count=number)}\n")
