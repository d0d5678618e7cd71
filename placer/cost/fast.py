"""The cost over time templates, fast.

`Kernel`: scene and envelopes in the form that the compiled loops read; holds no state.
`Catalogue`: the options of one track, as they are measured; `Kernel.options`: as the loops read
them.

Equal to `evaluate` over the same templates to 1e-4, in the tests.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from placer.cost.audibility import FLOOR, threshold_ratio
from placer.cost.binaural import cancellation_limit
from placer.cost.compiled import Tables
from placer.cost.kernel_mix import Options, Target
from placer.cost.mix_terms import missing_lu
from placer.cost.objective import Reference, reference, start
from placer.cost.scene import Envelopes, Scene, Totals
from placer.cost.track_figures import PARTS, TrackFigures, measure, of_track
from placer.cost.whole import rows
from placer.precision import settled
from sim.decibel import FloatArray
from sim.ears import ear_maps, head_maps

CHUNK = 1024
"""Options measured at a time, so that memory stays small."""

FEW = 4
"""Below this many candidates (or `FEW` x 16 options) a second thread does not pay."""


@dataclass(frozen=True, slots=True)
class Catalogue:
    """Options of one track; the first is the reference.

    Attributes
    ----------
    early, late : (n, 4, B, K) coefficients on the track's templates, with the band energies of the
        reference (`placer.cost.place_only`)
    totals : Totals of n options, as they are
    seating : (n,) m from usual seating
    effort : (n,) cost of the changes that a hand must make, 0 for the reference
    """

    early: FloatArray
    late: FloatArray
    totals: Totals
    seating: FloatArray
    effort: FloatArray

    def __post_init__(self) -> None:
        """Check that all arrays have as many options."""
        parts = (self.early, self.late, self.totals.early, self.seating, self.effort)
        counts = [len(part) for part in parts]
        if len(set(counts)) != 1 or counts[0] == 0:
            raise ValueError(f"Catalogue needs as many of each and at least one, got {counts}")


def _gains(early: FloatArray, late: FloatArray) -> FloatArray:
    """Coefficients (n, 4, B, 2) as (n, B, 16), in the order in which the compiled loops read."""
    both = np.stack([early, late], axis=1).astype(np.float32)  # (n, 2, 4, B, 2)
    return both.transpose(0, 3, 1, 4, 2).reshape(*early.shape[::2], 16)


def _band_major(array: FloatArray) -> FloatArray:
    """(T, B, F) to (B, T, F) in single precision."""
    return np.ascontiguousarray(np.swapaxes(array, 0, 1), dtype=np.float32)


def _tables(scene: Scene, envelopes: Envelopes) -> Tables:
    """What the compiled audibility reads."""
    power = (scene.reference.early + scene.reference.late)[:, :2].sum((0, 1))
    scale = 1.0 / np.where(power > 0.0, power, 1.0)
    templates = np.moveaxis(envelopes.templates * scale[:, None, None], 2, 0)  # (2, T, B, F)
    weight, group = scene.importance, scene.group
    count = len(scene.names)
    others = [
        [s for s in range(count) if s != t and group[s] == group[t] >= 0] for t in range(count)
    ]
    pairs = [(t, s) for t in range(count) for s in others[t]]
    sums = [[(weight[t] * part[s]).sum(-1) for t, s in pairs] for part in templates]
    floor = np.where(power > 0.0, FLOOR, 1e-30)
    marginal = weight.sum(-1).T
    bands, bearing = marginal.nonzero()
    ratio, limit = threshold_ratio(scene.centres), cancellation_limit(scene.centres)
    single: Any = np.float32
    ways, heads = (
        np.ascontiguousarray(np.moveaxis(maps(scene.centres), -1, 0), dtype=single)
        for maps in (ear_maps, head_maps)
    )
    return Tables(
        first=_band_major(templates[0]),
        second=_band_major(templates[1]),
        weight=_band_major(weight),
        sums=np.stack([(weight * part).sum(-1).T for part in templates]).astype(single),
        articulation=scene.articulation.astype(single),
        ways=ways,
        heads=heads,
        listening=np.array(scene.listening, dtype=single),
        band=np.stack([ratio, limit, floor]).astype(single),
        starts=np.cumsum([0, *map(len, others)]),
        members=np.array([s for _, s in pairs], dtype=np.int64),
        pairs=np.ascontiguousarray(
            np.moveaxis(np.reshape(sums, (2, len(pairs), len(scale))), 1, 2), dtype=single
        ),
        marginal=marginal.astype(single),
        begins=np.searchsorted(bands, np.arange(len(scale) + 1)),
        bearing=bearing,
    )


def _target(scene: Scene, compared: Reference) -> Target:
    """What the compiled terms of the whole mix compare against."""
    mix, weights, limits = compared.mix, scene.weights, scene.limits
    names = ("audibility", "overlap", "low_weight", "balance", "mono", "loudness")
    held = ("late_db", "low_db", "balance_db", "mono_db", "contrast_db", "background_db")
    found = Target(
        late=np.array(mix.late, float),
        levels=np.array([mix.lean_db, mix.low_lean_db, mix.mono_gain_db, mix.low_mono_gain_db]),
        file=np.array([mix.file_lean_db, mix.file_low_lean_db]),
        loud=np.array([mix.loud, missing_lu(scene.loudness)]),
        thirds=np.array(mix.thirds, float),
        significance=np.array(compared.significance, float),
        weights=np.array([getattr(weights, name) for name in names], float),
        limits=np.array([getattr(limits, name) for name in held], float),
        share=np.array(scene.share, float),
        foreground=np.array(scene.foreground_share, float),
        background=np.array(scene.background_share, float),
        margin=np.array(compared.margin_db, float),
        side=np.array(compared.common.side, float),
        depth=np.array(compared.common.depth, float),
    )
    return Target(*map(settled, found))


class Kernel:
    """The cost of candidates over time templates.

    Parameters
    ----------
    envelopes : Envelopes
        With the frames of the scene's importance; 64 clustered frames are fast and close.
    threads : int
        That `CatalogueLandscape` may use.
    """

    def __init__(self, scene: Scene, envelopes: Envelopes, *, threads: int = 2) -> None:
        count, bands, _, frames = envelopes.templates.shape
        if (count, bands, frames) != scene.importance.shape:
            raise ValueError(
                f"templates of shape {envelopes.templates.shape} do not fit the scene's importance "
                f"{scene.importance.shape}; cluster both with the same labels"
            )
        self.scene, self.envelopes = scene, envelopes
        self.compared = reference(scene, start(scene, envelopes))
        self.tables, self.target = _tables(scene, envelopes), _target(scene, self.compared)
        self.threads = threads
        self.pool = ThreadPoolExecutor(threads) if threads > 1 else None

    def options(self, catalogue: Catalogue, track: int) -> Options:
        """The options of a track as the loops read them, one row each."""
        standard, count = of_track(self.compared.tracks, track), len(catalogue.seating)
        found = []
        for first in range(0, count, CHUNK):
            some = slice(first, first + CHUNK)
            totals = catalogue.totals.part(some)
            measured = measure(totals, catalogue.seating[some], standard)
            found.append(self._columns(totals, measured, track))
        whole, place, own, broken = (np.concatenate(parts) for parts in zip(*found, strict=True))
        gains = _gains(catalogue.early, catalogue.late)
        return Options(gains, whole, place, own + catalogue.effort, broken)

    def _columns(self, totals: Totals, found: TrackFigures, track: int) -> tuple[FloatArray, ...]:
        """Summable rows, places, own costs and own violations of some options."""
        weights, share = self.scene.weights, float(self.scene.share[track])
        own = share * sum(
            PARTS.get(name, 1.0) * getattr(weights, name) * cost
            for name, cost in found.costs.items()
            if name != "seating"
        )
        own = own + weights.seating * found.costs["seating"] / len(self.scene.names)
        row = rows(
            totals,
            share * found.figures["drr_change_db"],
            self.scene.centres,
            self.scene.elsewhere[track],
        )
        place = np.stack([found.where.lateral_deg, found.where.drr_db], axis=1)
        broken = np.sum(list(found.violations.values()), axis=0)
        # what lies at a limit must not lie beyond it by the last digit of a sum
        return settled(row), settled(place), settled(own), settled(np.round(broken, 9))
