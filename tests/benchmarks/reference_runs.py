"""How near short inner searches come to one that had half an hour, in processor time.

    python -m tests.benchmarks.reference_runs [--tracks 12 60 120] [--short 15 60 150]
        [--long 1800] [--seeds 3]

For each number of tracks, on the landscape of `test_search`: one long search, then short ones from
several seeds, and for each length the least, mean and most of the gain that a short search missed,
in per cent of what the long one gained. Below zero the short search found something better. With
the defaults this takes two hours; it is no test and has no bound. Lengths are processor time of one
thread, so that a busy machine takes longer and finds the same.

`run`: one search. `report`: all of one size.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Sequence

import numpy as np

from placer.search.moves import InnerResult, inner_search
from tests.benchmarks.test_search import Placed, cue


def run(placed: Placed, seconds: float, seed: int) -> InnerResult:
    """Search from the reference for some seconds of processor time."""
    end = time.thread_time() + seconds
    return inner_search(
        placed.landscape,
        placed.start,
        rng=np.random.default_rng(seed),
        stop=lambda: time.thread_time() >= end,
    )


def report(tracks: int, *, short: Sequence[float], long: float, seeds: int) -> Iterator[str]:
    """Give the lines of one size, each as soon as it is known."""
    placed = cue(tracks)
    start = placed.landscape.cost(placed.start)
    best = run(placed, long, seed=0)
    speed = best.evaluations / long
    yield (
        f"{tracks} tracks: reference {start:.5f}, after {long:g} s {best.best_cost:.5f}, "
        f"{speed:,.0f} evaluations/s"
    )
    for seconds in short:
        costs = [run(placed, seconds, seed=seed).best_cost for seed in range(1, seeds + 1)]
        missed = 100.0 * (np.array(costs) - best.best_cost) / (start - best.best_cost)
        yield (
            f"  {seconds:g} s: {missed.min():+.2f} least, {missed.mean():+.2f} mean, "
            f"{missed.max():+.2f} most, per cent of the gain missed, {seeds} seeds"
        )


def main() -> None:
    """Print everything that was asked for."""
    parser = argparse.ArgumentParser(description="Short inner searches against a long one.")
    parser.add_argument("--tracks", type=int, nargs="+", default=[12, 60, 120])
    parser.add_argument("--short", type=float, nargs="+", default=[15.0, 60.0, 150.0])
    parser.add_argument("--long", type=float, default=1800.0)
    parser.add_argument("--seeds", type=int, default=3)
    given = parser.parse_args()
    for tracks in given.tracks:
        for line in report(tracks, short=given.short, long=given.long, seeds=given.seeds):
            print(line, flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
