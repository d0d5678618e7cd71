"""The cost at the table level, fast: one candidate, many, or estimated moves of one track.

*Conventions*: gains (N, 4, B) are covariances per unit source energy; `CatalogueLandscape` numbers
a track's options from 0, and its states are (T,) option numbers.

`Kernel`: scene and envelopes in the form that the compiled loops read; holds no state.
`Catalogue`: the options of one track. `CatalogueLandscape`: what the search walks on; keeps the
last state it estimated moves from, for its own use only.

Equal to `evaluate(expand(...)).total` to 1e-4, in the tests.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from placer.cost.audibility import FLOOR, threshold_ratio
from placer.cost.binaural import cancellation_limit
from placer.cost.compiled import Picked, Tables
from placer.cost.kernel_mix import Options, Setting, Target, costs
from placer.cost.kernel_moves import Memo, Move, prepare, remember
from placer.cost.kernel_screen import screen
from placer.cost.limits import PENALTY
from placer.cost.objective import Reference, reference
from placer.cost.scene import Envelopes, IntArray, Scene, Totals
from placer.cost.tracks import Standard, measure, of_track
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
    """

    early: FloatArray
    late: FloatArray
    thirds: FloatArray
    seating: FloatArray

    def __post_init__(self) -> None:
        """Check that all arrays have as many options."""
        counts = [len(a) for a in (self.early, self.late, self.thirds, self.seating)]
        if len(set(counts)) != 1 or counts[0] == 0:
            raise ValueError(f"Catalogue needs as many of each and at least one, got {counts}")


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
    )


def _target(scene: Scene, compared: Reference) -> Target:
    """What the compiled terms of the whole mix compare against."""
    mix, weights, limits = compared.mix, scene.weights, scene.limits
    return Target(
        levels=np.array(
            [mix.late_db, mix.lean_db, mix.low_lean_db, mix.mono_gain_db, mix.low_mono_gain_db]
        ),
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

    def options(self, catalogue: Catalogue, track: int | None = None) -> Options:
        """Measure the options of one track, or one option of every track where `track` is None."""
        every = track is None
        one = slice(None) if track is None else slice(track, track + 1)
        standard = self.compared.tracks if track is None else of_track(self.compared.tracks, track)
        power, thirds = self.envelopes.power[one], self.envelopes.third_power[one]
        step = len(catalogue.seating) if every else CHUNK
        parts = []
        for start in range(0, len(catalogue.seating), step):
            some = slice(start, start + step)
            totals = Totals(
                early=np.asarray(catalogue.early[some], float) * power[:, None],
                late=np.asarray(catalogue.late[some], float) * power[:, None],
                thirds=np.asarray(catalogue.thirds[some], float) * thirds[:, None],
            )
            parts.append(self._measured(totals, catalogue.seating[some], standard, one))
        gains = np.concatenate([catalogue.early, catalogue.late], axis=1)
        whole, place, own = (np.concatenate(found) for found in zip(*parts, strict=True))
        by_band = np.ascontiguousarray(np.swapaxes(gains, 1, 2), dtype=np.float32)
        return Options(gains=by_band, whole=whole, place=place, own=own)

    def _measured(
        self, totals: Totals, seats: FloatArray, standard: Standard, one: slice
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Summable rows, places and own costs of options."""
        weights, share = self.scene.weights, self.target.share
        found = measure(totals.early, totals.late, seats, standard)
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
        costs(every, Setting(options, self.tables, self.target), out)
        return float(out[0])


class CatalogueLandscape:
    """Costs over catalogues of options, for `placer.search`.

    Parameters
    ----------
    kernel : Kernel
    catalogues : one a track, in the order of the scene
    """

    def __init__(self, kernel: Kernel, catalogues: Sequence[Catalogue]) -> None:
        if len(catalogues) != len(kernel.scene.names):
            raise ValueError(f"{len(catalogues)} catalogues for {len(kernel.scene.names)} tracks")
        self.kernel = kernel
        self.sizes = tuple(len(catalogue.seating) for catalogue in catalogues)
        self._offsets = np.cumsum([0, *self.sizes[:-1]])
        parts = [kernel.options(catalogue, track) for track, catalogue in enumerate(catalogues)]
        options = Options(*(np.concatenate(found) for found in zip(*parts, strict=True)))
        self._setting = Setting(options, kernel.tables, kernel.target)
        self._memo: Memo | None = None

    def _rows(self, states: IntArray) -> IntArray:
        """Option rows of states (..., T)."""
        states = np.asarray(states, dtype=np.int64)
        if (
            states.shape[-1] != len(self.sizes)
            or (states < 0).any()
            or (states >= self.sizes).any()
        ):
            raise IndexError(f"a state holds {len(self.sizes)} options, each below {self.sizes}")
        chosen: IntArray = states + self._offsets
        return chosen

    def cost(self, state: IntArray) -> float:
        """Cost of one state (T,)."""
        return float(self.costs(np.asarray(state)[None])[0])

    def costs(self, states: IntArray) -> FloatArray:
        """Cost of many states, (N, T) to (N,)."""
        candidates = self._rows(states)
        out = np.empty(len(candidates))

        def _run(part: slice) -> None:
            costs(candidates[part], self._setting, out[part])

        self._spread(_run, len(candidates), FEW)
        return out

    def screen(self, state: IntArray, track: int, options: IntArray) -> FloatArray:
        """Estimated cost of a state (T,) if one track took each of its options (n,)."""
        memo = self._remembered(self._rows(state))
        chosen = np.asarray(options, dtype=np.int64)
        if (chosen < 0).any() or (chosen >= self.sizes[track]).any():
            raise IndexError(f"track {track} has options 0 to {self.sizes[track] - 1}")
        bands, _, frames = self.kernel.tables.early.shape
        move = Move(
            np.empty((bands, 4, frames), np.float32),
            np.empty((bands, 4), np.float32),
            np.empty((bands, 8, len(self.sizes)), np.float32),
        )
        prepare(track, memo, self._setting, move)
        picked, out = chosen + self._offsets[track], np.empty(len(chosen))
        same, gains = np.full(len(chosen), track), self._setting.options.gains

        def _run(part: slice) -> None:
            some = Picked(same[part], picked[part], gains)
            screen(some, memo, move, self._setting, out[part])

        self._spread(_run, len(chosen), 16 * FEW)
        return out

    def _remembered(self, state_rows: IntArray) -> Memo:
        """What moves from this state share; worked out once while the state stays."""
        if self._memo is not None and np.array_equal(self._memo.rows, state_rows):
            return self._memo
        count = len(state_rows)
        shape = (self.kernel.tables.band.shape[1], 4, self.kernel.tables.early.shape[2])
        memo = Memo(
            rows=state_rows,
            total=np.empty(shape, np.float32),
            slope=np.empty((count, *shape), np.float32),
            cells=np.empty((4, shape[0], count), np.float32),
            share=np.empty(count),
            factor=np.empty(count),
            order=np.empty(count, np.int64),
            crowd=np.empty(count),
            mix=np.empty(len(COLUMNS)),
            own=np.empty(1),
        )
        remember(memo, self._setting)
        self._memo = memo
        return memo

    def _spread(self, run: Any, count: int, few: int) -> None:
        """Run a function over slices of `count` items, in as many threads as pay."""
        pool, threads = self.kernel.pool, min(self.kernel.threads, max(count // few, 1))
        if pool is None or threads == 1:
            run(slice(0, count))
            return
        edges = np.linspace(0, count, threads + 1).astype(int)
        list(pool.map(run, [slice(a, b) for a, b in zip(edges[:-1], edges[1:], strict=True)]))
