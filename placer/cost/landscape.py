"""The landscape that the search walks on: catalogues of options under the compiled cost.

*Conventions*: a track's options are numbered from 0; a state is (T,) option numbers.

`CatalogueLandscape`: costs of states, estimates of moves; keeps the last state that it estimated
moves from, for its own use only.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from typing import Any

import numpy as np

from placer.cost.compiled import Picked
from placer.cost.fast import FEW, Catalogue, Kernel, put_gains
from placer.cost.kernel_mix import Options, Setting, costs
from placer.cost.kernel_moves import Memo, Move, prepare, remember
from placer.cost.kernel_screen import screen
from placer.cost.scene import IntArray
from placer.cost.whole import COLUMNS
from sim.decibel import FloatArray

STEPS = np.array([7.6, 3.0])
"""A clear step to the side, degrees, and in early-to-late ratio, dB (as `placer.search.choose`)."""

NEAR = 1.0
"""Steps within which two tracks have traded places (a matter of sense, no source)."""


BROKEN, WHOLE = 0.05, 0.02
"""Cost of an option's own above the least of its track: from the first on it breaks a limit of its
track; up to the second it breaks none (a twentieth of a dB, and less than half of that)."""


class CatalogueLandscape:
    """Costs over catalogues of options, for `placer.search`.

    Parameters
    ----------
    kernel : Kernel
    catalogues : one a track, in the order of the scene
    gains : (R, B, 8) of all options, float32, where they lie there already (`fast.put_gains`)
    """

    def __init__(
        self, kernel: Kernel, catalogues: Sequence[Catalogue], gains: FloatArray | None = None
    ) -> None:
        if len(catalogues) != len(kernel.scene.names):
            raise ValueError(f"{len(catalogues)} catalogues for {len(kernel.scene.names)} tracks")
        self.kernel = kernel
        self.sizes = tuple(len(catalogue.seating) for catalogue in catalogues)
        self._offsets = np.cumsum([0, *self.sizes[:-1]])
        if gains is None:
            gains = np.empty((sum(self.sizes), len(kernel.scene.centres), 8), np.float32)
            for first, one in zip(self._offsets, catalogues, strict=True):
                put_gains(gains[first : first + len(one.seating)], one.early, one.late)
        parts = [kernel.figures(catalogue, track) for track, catalogue in enumerate(catalogues)]
        rest = (np.concatenate(found) for found in zip(*parts, strict=True))
        self._setting = Setting(Options(gains, *rest), kernel.tables, kernel.target)
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

    def row(self, state: IntArray) -> FloatArray:
        """Summed figures (20,) of one state's whole mix."""
        summed: FloatArray = self._setting.options.whole[self._rows(state)].sum(0)
        return summed

    def shifted(self, offset: FloatArray) -> CatalogueLandscape:
        """The same with (20,) added to every state's `row`: what a real mix has besides energies.

        One option of the first track always counts, and counts once, so its rows carry it.
        """
        rows = np.zeros_like(self._setting.options.whole)
        rows[: self.sizes[0]] = offset
        return self._raised(rows)

    def met(self, rows: Sequence[FloatArray]) -> CatalogueLandscape:
        """The same with rows (n, 20) of each track added to those of its options."""
        return self._raised(np.concatenate(rows))

    def _raised(self, rows: FloatArray) -> CatalogueLandscape:
        other, options = copy(self), self._setting.options
        changed = options._replace(whole=options.whole + rows)
        other._setting = self._setting._replace(options=changed)
        other._memo = None
        return other

    def partner(self, track: int, option: int, other: int) -> int | None:
        """Option of `other` that is heard nearest to where `option` puts `track`.

        Returns
        -------
        int or None
            None where `other` cannot be heard within `NEAR` clear steps of there.
        """
        first = self._offsets[other]
        place = self._setting.options.place
        away = place[first : first + self.sizes[other]] - place[self._offsets[track] + option]
        steps = np.square(away / STEPS).sum(-1)
        nearest = int(np.argmin(steps))
        return nearest if steps[nearest] <= NEAR**2 else None

    def mended(self, state: IntArray) -> IntArray:
        """A state (T,) whose options break no limit of their own track.

        One that does gives way to the one that is heard nearest to it among those that do not, so
        that a search need not look for each track's way back first.
        """
        chosen = np.array(state, dtype=np.int64)
        options = self._setting.options
        for track, (first, size) in enumerate(zip(self._offsets, self.sizes, strict=True)):
            own = options.own[first : first + size] - options.own[first : first + size].min()
            if own[chosen[track]] <= BROKEN:
                continue
            place = options.place[first : first + size]
            steps = np.square((place - place[chosen[track]]) / STEPS).sum(-1)
            chosen[track] = np.where(own <= WHOLE, steps, np.inf).argmin()
        return chosen

    def cost(self, state: IntArray) -> float:
        """Cost of one state (T,)."""
        return float(self.costs(np.asarray(state)[None])[0])

    def costs(self, states: IntArray, added: FloatArray | None = None) -> FloatArray:
        """Cost of many states, (N, T) to (N,), each with its row of `added` (N, 20) in its mix."""
        candidates = self._rows(states)
        out = np.empty(len(candidates))
        rows = np.zeros((len(candidates), len(COLUMNS))) if added is None else added

        def _run(part: slice) -> None:
            costs(candidates[part], rows[part], self._setting, out[part])

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
            np.empty((8, self.kernel.tables.bearing.size), np.float32),
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
        bands, _, frames = self.kernel.tables.early.shape
        bearing = self.kernel.tables.bearing.size
        memo = Memo(
            rows=state_rows,
            total=np.empty((bands, 4, frames), np.float32),
            slope=np.empty((bearing, 4, frames), np.float32),
            cells=np.empty((4, bearing), np.float32),
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
