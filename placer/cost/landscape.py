"""The landscape that the search walks on: catalogues of options under the compiled cost.

*Conventions*: a track's options are numbered from 0; a state is (T,) option numbers.

`CatalogueLandscape`: costs of states, estimates of moves; keeps the last state that it estimated
moves from, for its own use only. `landscape_of`: one from catalogues. `breakdown`: the cost of a
state with everything that is known of it. `expand`: what a state sounds like over templates.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from typing import Any

import numpy as np

from placer.cost.compiled import Picked
from placer.cost.fast import FEW, Catalogue, Kernel
from placer.cost.kernel_mix import CostData, Options, broken_db, costs
from placer.cost.kernel_moves import Memo, Move, prepare, remember
from placer.cost.kernel_screen import screen
from placer.cost.limits import PENALTY
from placer.cost.objective import Cost, evaluate, sounding
from placer.cost.scene import Envelopes, IntArray, Sounding, Totals
from placer.cost.whole import COLUMNS
from sim.decibel import FloatArray

STEPS = np.array([7.6, 3.0])
"""A clear step to the side, degrees, and of direct against all other energy, dB."""

NEAR = 1.0
"""Steps within which two tracks have traded places (a matter of sense, no source)."""


def expand(envelopes: Envelopes, catalogues: Sequence[Catalogue], state: IntArray) -> Sounding:
    """What a state sounds like over templates.

    Parameters
    ----------
    catalogues : one a track
    state : (T,) IntArray
        Option of each track.
    """
    chosen = [(c, int(k)) for c, k in zip(catalogues, state, strict=True)]
    totals = [
        np.stack([np.asarray(getattr(c.totals, name)[k], float) for c, k in chosen])
        for name in ("early", "late", "direct", "thirds")
    ]
    return sounding(
        envelopes,
        np.stack([c.early[k] for c, k in chosen]),
        np.stack([c.late[k] for c, k in chosen]),
        totals=Totals(*totals),
        seating=np.array([c.seating[k] for c, k in chosen], float),
    )


def breakdown(kernel: Kernel, catalogues: Sequence[Catalogue], state: IntArray) -> Cost:
    """Cost of one state (T,), term by term and track by track; effort is not part of it."""
    sound = expand(kernel.envelopes, catalogues, state)
    return evaluate(kernel.scene, sound, kernel.compared)


def landscape_of(kernel: Kernel, catalogues: Sequence[Catalogue]) -> CatalogueLandscape:
    """Costs over catalogues, one a track in the order of the scene."""
    return CatalogueLandscape(
        kernel, [kernel.options(one, track) for track, one in enumerate(catalogues)]
    )


class CatalogueLandscape:
    """Costs over options of every track, for `placer.search`.

    Parameters
    ----------
    options : one a track, in the order of the scene, from `Kernel.options`
    """

    def __init__(self, kernel: Kernel, options: Sequence[Options]) -> None:
        if len(options) != len(kernel.scene.names):
            raise ValueError(f"options of {len(options)} tracks, not {len(kernel.scene.names)}")
        self.kernel = kernel
        self.sizes = tuple(len(one.own) for one in options)
        self._offsets = np.cumsum([0, *self.sizes[:-1]])
        every = Options(*(np.concatenate(parts) for parts in zip(*options, strict=True)))
        self._setting = CostData(every, kernel.tables, kernel.target, PENALTY)
        self._memo: Memo | None = None

    def penalised(self, penalty: float) -> CatalogueLandscape:
        """The same options with another cost of a dB beyond a limit."""
        other = copy(self)
        other._setting = self._setting._replace(penalty=float(penalty))
        other._memo = None
        return other

    def _rows(self, states: IntArray) -> IntArray:
        """Option rows of states (..., T)."""
        states = np.asarray(states, dtype=np.int64)
        if (
            states.shape[-1] != len(self.sizes)
            or (states < 0).any()
            or (states >= self.sizes).any()
        ):
            raise IndexError(f"a state holds {len(self.sizes)} options, each below {self.sizes}")
        # one order in memory: for each, the loops would be compiled anew and round another way
        chosen: IntArray = np.ascontiguousarray(states + self._offsets)
        return chosen

    def partner(self, track: int, option: int, other: int) -> int | None:
        """Option of `other` that is heard nearest to where `option` puts `track`.

        Returns
        -------
        int or None
            None where `other` cannot be heard within `NEAR` clear steps of there.
        """
        steps = self._steps(track, option, other, np.arange(self.sizes[other]))
        nearest = int(np.argmin(steps))
        return nearest if steps[nearest] <= NEAR else None

    def steps(self, track: int, option: int, others: Sequence[int]) -> FloatArray:
        """Clear steps (n,) between where one option of a track is heard and where others are."""
        return self._steps(track, option, track, np.asarray(others, dtype=np.int64))

    def _steps(self, track: int, option: int, other: int, options: IntArray) -> FloatArray:
        """Clear steps (n,) from where an option of a track is heard to options of another."""
        place, offsets = self._setting.options.place, self._offsets
        away = (place[offsets[other] + options] - place[offsets[track] + option]) / STEPS
        found: FloatArray = np.sqrt(np.square(away).sum(-1))
        return found

    def violation(self, state: IntArray) -> float:
        """Sum of all dB beyond limits of one state (T,), 0 where every limit holds."""
        return float(broken_db(self._rows(state), self._setting))

    def cost(self, state: IntArray) -> float:
        """Cost of one state (T,)."""
        return float(self.costs(np.asarray(state)[None])[0])

    def costs(self, states: IntArray) -> FloatArray:
        """Cost of many states, (N, T) to (N,): terms, penalties and effort."""
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
        bands, _, frames = self.kernel.tables.first.shape
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
        bands, _, frames = self.kernel.tables.first.shape
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
