"""A small made-up landscape for the tests of the search: honest where the real one is hard.

Each track has a catalogue of places (side, depth, blend; arbitrary units). Its trouble is how far
a place is from what it likes, a ripple that makes local minima, and how near it sits to its
rivals; its cost saturates, and the worst quarter of the tracks counts double. `cost` is exact.
`screen` is an estimate in the way of the real table: exact for the track that moves, the others
linearised, and which tracks are the worst quarter held fixed.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

REACH = 0.6
"""Distance at which two rivals disturb each other e^-1/2 as much as in one place."""


class Rivals:
    """`Landscape` with `partner`; `sizes[i] == 1` is a locked track."""

    def __init__(
        self, tracks: int, options: int, seed: int, *, locked: tuple[int, ...] = ()
    ) -> None:
        rng = np.random.default_rng(seed)
        self.sizes = tuple(1 if i in locked else options for i in range(tracks))
        self.places = [rng.uniform(-1, 1, (n, 3)) for n in self.sizes]  # (n, 3)
        liked = rng.uniform(-0.5, 0.5, (tracks, 3))
        self.own = [
            0.4 * np.sum((p - q) ** 2, axis=-1) + 0.15 * np.mean(1 - np.cos(9 * (p - q)), axis=-1)
            for p, q in zip(self.places, liked, strict=True)
        ]
        register = rng.uniform(0, 4, tracks)
        near = np.exp(-0.5 * ((register[:, None] - register) / 0.5) ** 2)
        self.rivalry = near * rng.uniform(0.2, 1.0, (tracks, tracks))  # (hidden, hider)
        np.fill_diagonal(self.rivalry, 0.0)
        self.share = rng.uniform(0.5, 1.5, tracks)
        self.share /= self.share.sum()
        self.worst = max(1, tracks // 4)

    def _pick(self, state: IntArray) -> tuple[FloatArray, FloatArray]:
        place = np.array([p[i] for p, i in zip(self.places, state, strict=True)])
        own = np.array([o[i] for o, i in zip(self.own, state, strict=True)])
        return place, own

    @staticmethod
    def _nearness(a: FloatArray, b: FloatArray) -> FloatArray:
        return np.exp(-np.sum((a - b) ** 2, axis=-1) / (2 * REACH**2))

    def _total(self, cost: FloatArray) -> float:
        # the worst quarter counts double: half the mean, half the mean of the worst
        order = np.argsort(cost)[-self.worst :]
        return float(0.5 * self.share @ cost + 0.5 * np.mean(cost[order]))

    def troubles(self, state: IntArray) -> FloatArray:
        """Trouble of each track before it saturates, shape (T,)."""
        place, own = self._pick(state)
        return own + np.sum(self.rivalry * self._nearness(place[:, None], place), axis=1)

    def cost(self, state: IntArray) -> float:
        """Exact cost."""
        trouble = self.troubles(state)
        return self._total(trouble / (1 + trouble))

    def screen(self, state: IntArray, track: int, options: IntArray) -> FloatArray:
        """Estimated cost of each option of `track`."""
        place, own = self._pick(state)
        near = self._nearness(place[:, None], place)
        trouble = own + np.sum(self.rivalry * near, axis=1)
        cost = trouble / (1 + trouble)
        price = 0.5 * self.share.copy()
        price[np.argsort(cost)[-self.worst :]] += 0.5 / self.worst
        moved = self._nearness(self.places[track][options][:, None], place)  # (n, T)
        others = price * self.rivalry[:, track] / (1 + trouble) ** 2
        others[track] = 0.0
        mine = self.own[track][options] + np.delete(moved, track, 1) @ np.delete(
            self.rivalry[track], track
        )
        change = (moved - near[track]) @ others
        rest = price @ cost - price[track] * cost[track]
        return rest + price[track] * mine / (1 + mine) + change

    def partner(self, track: int, option: int, other: int) -> int | None:
        """Return the option of `other` nearest to the place of `track`'s option."""
        if self.sizes[other] == 1:
            return None
        gap = np.sum((self.places[other] - self.places[track][option]) ** 2, axis=-1)
        return int(np.argmin(gap))

    def steps(self, track: int, option: int, others: Sequence[int]) -> FloatArray:
        """Distance of places, as shares of `REACH`."""
        gap = self.places[track][np.asarray(others)] - self.places[track][option]
        found: FloatArray = np.sqrt(np.sum(gap**2, axis=-1)) / REACH
        return found
