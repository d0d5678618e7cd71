"""The cost at the table level, fast.

*Conventions*: gains (N, 4, B) are covariances per unit source energy.

`Kernel`: scene and envelopes in the form that the compiled loops read; holds no state.
`Catalogue`: the options of one track. `put_gains`: their gains as the loops read them.

Equal to `evaluate(expand(...)).total` to 1e-4, in the tests.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from placer.cost.audibility import FLOOR, threshold_ratio
from placer.cost.binaural import cancellation_limit
from placer.cost.compiled import Tables
from placer.cost.kernel_mix import Options, Setting, Target, costs
from placer.cost.limits import PENALTY
from placer.cost.objective import Reference, reference
from placer.cost.scene import Envelopes, Scene, Totals
from placer.cost.tracks import Measured, Standard, measure, of_track
from placer.cost.whole import COLUMNS, rows
from sim.decibel import FloatArray
from sim.ears import ear_maps

CHUNK = 1024
"""Options measured at a time, so that memory stays small."""

FEW = 4
"""Below this many candidates (or `FEW` x 16 options) a second thread does not pay."""


@dataclass(frozen=True, slots=True)
class Catalogue:
    """Options of one track.

    Attributes
    ----------
    early, late : (n, 4, B) covariances per unit source energy; thirds : (n, 4, 11)
    seating : (n,) m from usual seating
    early_total, late_total : (n, 4, B) of the energies in all, where they are not the gains
        times the source's power
    lows_known : whether the thirds are exact; else no option is judged by the track's own lows
    """

    early: FloatArray
    late: FloatArray
    thirds: FloatArray
    seating: FloatArray
    early_total: FloatArray | None = None
    late_total: FloatArray | None = None
    lows_known: bool = True

    def __post_init__(self) -> None:
        """Check that all arrays have as many options."""
        counts = [len(a) for a in (self.thirds, self.seating, self.early, self.late, *self.totals)]
        if len(set(counts)) != 1 or counts[0] == 0:
            raise ValueError(f"Catalogue needs as many of each and at least one, got {counts}")

    @property
    def totals(self) -> tuple[FloatArray, FloatArray]:
        """Early and late totals."""
        return (
            self.early if self.early_total is None else self.early_total,
            self.late if self.late_total is None else self.late_total,
        )


def put_gains(gains: FloatArray, early: FloatArray, late: FloatArray) -> None:
    """Write covariances (n, 4, B) to (n, B, 8), as the compiled loops read them."""
    gains[..., :4], gains[..., 4:] = np.swapaxes(early, 1, 2), np.swapaxes(late, 1, 2)


def _band_major(array: FloatArray) -> FloatArray:
    """(T, B, F) to (B, T, F) in single precision."""
    return np.ascontiguousarray(np.swapaxes(array, 0, 1), dtype=np.float32)


def _tables(scene: Scene, envelopes: Envelopes) -> Tables:
    """What the compiled audibility reads."""
    power = (scene.reference.early + scene.reference.late)[:, :2].sum((0, 1))
    scale = 1.0 / np.where(power > 0.0, power, 1.0)
    early, late = envelopes.early * scale[:, None], envelopes.late * scale[:, None]
    weight, group = scene.importance, scene.group
    count = len(scene.names)
    others = [
        [s for s in range(count) if s != t and group[s] == group[t] >= 0] for t in range(count)
    ]
    pairs = [(t, s) for t in range(count) for s in others[t]]
    sums = [[(weight[t] * part[s]).sum(-1) for t, s in pairs] for part in (early, late)]
    floor = np.where(power > 0.0, FLOOR, 1e-30)
    marginal = weight.sum(-1).T
    bands, bearing = marginal.nonzero()
    ratio, limit = threshold_ratio(scene.centres), cancellation_limit(scene.centres)
    single: Any = np.float32
    return Tables(
        early=_band_major(early),
        late=_band_major(late),
        weight=_band_major(weight),
        sums=np.stack([(weight * part).sum(-1).T for part in (early, late)]).astype(single),
        articulation=scene.articulation.astype(single),
        ways=np.ascontiguousarray(np.moveaxis(ear_maps(scene.centres), -1, 0), dtype=single),
        listening=np.array(scene.listening, dtype=single),
        band=np.stack([ratio, limit, floor]).astype(single),
        starts=np.cumsum([0, *map(len, others)]),
        members=np.array([s for _, s in pairs], dtype=np.int64),
        pairs=np.ascontiguousarray(
            np.moveaxis(np.reshape(sums, (2, len(pairs), len(scale))), 1, 2), dtype=single
        ),
        marginal=marginal.astype(single),
        first=np.searchsorted(bands, np.arange(len(scale) + 1)),
        bearing=bearing,
    )


def _target(scene: Scene, compared: Reference) -> Target:
    """What the compiled terms of the whole mix compare against."""
    mix, weights, limits = compared.mix, scene.weights, scene.limits
    return Target(
        late=np.array(mix.late, float),
        levels=np.array([mix.lean_db, mix.low_lean_db, mix.mono_gain_db, mix.low_mono_gain_db]),
        thirds=np.array(mix.thirds, float),
        significance=np.array(compared.significance, float),
        weights=np.array(
            [weights.audibility, weights.overlap, weights.low_weight, weights.balance, weights.mono]
        ),
        limits=np.array([limits.late_db, limits.low_db, limits.balance_db, limits.mono_db]),
        share=np.array(scene.weight / scene.weight.sum(), float),
        common=np.array(compared.common, float),
    )


class Kernel:
    """The cost of candidates at the table level.

    Parameters
    ----------
    scene : Scene
    envelopes : Envelopes
        With the frames of the scene's importance; 64 clustered frames are fast and close.
    threads : int
        That `costs` and `screen` may use.
    """

    def __init__(self, scene: Scene, envelopes: Envelopes, *, threads: int = 2) -> None:
        if envelopes.early.shape != scene.importance.shape:
            raise ValueError(
                f"envelopes of shape {envelopes.early.shape} do not fit the scene's importance "
                f"{scene.importance.shape}; cluster both with the same labels"
            )
        self.scene, self.envelopes = scene, envelopes
        self.compared = reference(scene)
        self.tables, self.target = _tables(scene, envelopes), _target(scene, self.compared)
        self.threads = threads
        self.pool = ThreadPoolExecutor(threads) if threads > 1 else None

    def options(self, catalogue: Catalogue) -> Options:
        """Measure one option of every track, in their order."""
        gains = np.empty((len(catalogue.seating), len(self.scene.centres), 8), np.float32)
        put_gains(gains, catalogue.early, catalogue.late)
        found = self._some(catalogue, slice(None), self.compared.tracks, slice(None))
        return Options(gains, *found)

    def figures(
        self, catalogue: Catalogue, track: int
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """All that a track's options have in `Options` besides their gains: whole, place, own."""
        standard, one = of_track(self.compared.tracks, track), slice(track, track + 1)
        parts = [
            self._some(catalogue, slice(start, start + CHUNK), standard, one)
            for start in range(0, len(catalogue.seating), CHUNK)
        ]
        whole, place, own = (np.concatenate(found) for found in zip(*parts, strict=True))
        return whole, place, own

    def _some(
        self, catalogue: Catalogue, some: slice, standard: Standard, one: slice
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Figures of some options, each of its own track or all of one."""
        power, thirds = self.envelopes.power[one], self.envelopes.third_power[one]
        early, late = catalogue.totals
        totals = Totals(
            early=np.asarray(early[some], float) * power[:, None],
            late=np.asarray(late[some], float) * power[:, None],
            thirds=np.asarray(catalogue.thirds[some], float) * thirds[:, None],
        )
        found = measure(totals, catalogue.seating[some], standard, lows_known=catalogue.lows_known)
        return self._measured(totals, found, one)

    def _measured(
        self, totals: Totals, found: Measured, one: slice
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Summable rows, places and own costs of options."""
        weights, share = self.scene.weights, self.target.share
        own = share[one] * (
            weights.definition * found.costs["definition"]
            + 0.5 * weights.mono * found.costs["mono"]
        )
        own = own + weights.seating * found.costs["seating"] / len(share)
        own = own + PENALTY * sum(found.violations.values())
        row = rows(totals.early, totals.late, totals.thirds, self.scene.centres)
        place = np.stack([found.where.lateral_deg, found.where.early_late_db], axis=1)
        return row, place, own

    def cost(
        self, early_gain: FloatArray, late_gain: FloatArray, *, thirds_gain: FloatArray,
        seating: FloatArray,
    ) -> float:  # fmt: skip
        """Cost of one candidate from its gains (T, 4, B), (T, 4, B), (T, 4, 11) and m (T,)."""
        options = self.options(Catalogue(early_gain, late_gain, thirds_gain, seating))
        out = np.empty(1)
        every = np.arange(len(seating), dtype=np.int64)[None]
        nothing = np.zeros((1, len(COLUMNS)))
        costs(every, nothing, Setting(options, self.tables, self.target), out)
        return float(out[0])
