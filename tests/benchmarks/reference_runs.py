"""How near short searches of a cue come to one that had half an hour.

    python -m tests.benchmarks.reference_runs CUE.toml [--short 15] [--long 1800] [--seeds 3]

One long search first, after which every seat that it has measured is in the cache; then short ones
from several seeds. For each rung, and for the best mix of a search, the share of the long search's
gain over the reference that a short one missed: least, mean and most, in per cent. Below zero the
short search found something better. Lengths are processor time of the thread that searches, so that
a busy machine takes longer and finds the same; it is no test and has no bound.

`gains`: one search. `report`: the lines.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from placer.cue.read import read_cue
from placer.progress import Quiet
from placer.run import few_moves, ladder, polish, rounds
from placer.run.evaluator import Evaluator
from placer.run.ready import make_ready, survey_cue
from placer.search import walk

CLOCKED = (few_moves, ladder, polish, rounds, walk)
"""Modules that ask the time: here they are told the processor time of their thread."""

BEST = "best"


def gains(evaluator: Evaluator, seconds: float, seed: int) -> dict[str, float]:
    """What each rung of one search gains over the reference, and the best of them."""
    begun = time.thread_time()
    clock = SimpleNamespace(monotonic=time.thread_time)
    usual = [(module, module.time) for module in CLOCKED]
    for module in CLOCKED:
        module.time = clock  # type: ignore[attr-defined]
    try:
        budget = rounds.Budget(seconds)
        found = ladder.search_rungs(evaluator, evaluator.own, seed=seed, budget=budget)
    finally:
        for module, own in usual:
            module.time = own  # type: ignore[attr-defined]
    whole = evaluator.reference.total
    each = {rung.name: whole - rung.cost for rung in found.rungs}
    took = time.thread_time() - begun
    return {**each, BEST: max(each.values(), default=0.0), "seconds": took}


def report(path: Path, *, short: float, long: float, seeds: int) -> Iterator[str]:
    """Give the lines of one cue, each as soon as it is known."""
    evaluator = make_ready(survey_cue(read_cue(path), Quiet()), Quiet())
    most = gains(evaluator, long, seed=0)
    told = ", ".join(f"{name} {gain:.5f}" for name, gain in most.items() if name != "seconds")
    yield f"{path}: gains after {most['seconds']:.0f} s: {told}"
    each = [gains(evaluator, short, seed=seed) for seed in range(1, seeds + 1)]
    for name, gain in most.items():
        missed = np.array([100.0 * (gain - one.get(name, 0.0)) / gain for one in each])
        if name != "seconds":
            yield (
                f"  {name} after {short:g} s, {seeds} seeds: missed {missed.min():+.1f} least, "
                f"{missed.mean():+.1f} mean, {missed.max():+.1f} most, per cent"
            )


def main() -> None:
    """Print everything that was asked for."""
    parser = argparse.ArgumentParser(description="Short searches of a cue against a long one.")
    parser.add_argument("cue", type=Path)
    parser.add_argument("--short", type=float, default=15.0)
    parser.add_argument("--long", type=float, default=1800.0)
    parser.add_argument("--seeds", type=int, default=3)
    given = parser.parse_args()
    for line in report(given.cue, short=given.short, long=given.long, seeds=given.seeds):
        print(line, flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
