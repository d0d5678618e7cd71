"""How fast the cost is: batches of candidates and single moves, against the plain terms.

Claims are ratios within one run: the compiled cost over 64 clustered frames against the plain terms
over all frames. Rates a second are recorded beside them (`extra_info`), for the machine at hand.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from placer.cost.fast import Kernel
from placer.cost.landscape import CatalogueLandscape, landscape_of
from placer.cost.prepare import cluster_frames, gather
from placer.cost.scene import Envelopes
from placer.placement.measured import clustered
from tests.placer import synthetic
from tests.placer.synthetic import Music, Spot

OPTIONS, FRAMES, CLUSTERED = 128, 400, 64


def made(count: int) -> tuple[Music, CatalogueLandscape]:
    """A dense cue over all frames, a third of it foreground; its landscape over clustered ones."""
    layers = [replace(x, foreground=i % 3 == 0) for i, x in enumerate(synthetic.dense(count))]
    music = Music(layers, [Spot()] * count, frames=FRAMES)
    env = music.envelopes
    label = cluster_frames(env.templates[:, :, 0], env.templates[:, :, 1], CLUSTERED)
    short = Envelopes(clustered(env.templates, label)[0], env.early, env.late)
    small = replace(music.scene, importance=gather(music.scene.importance, label))
    catalogues = [
        music.catalogue(track, [Spot(), *synthetic.random_spots(OPTIONS - 1, seed=track)])
        for track in range(count)
    ]
    return music, landscape_of(Kernel(small, short, threads=2), catalogues)


def plain_seconds(music: Music) -> float:
    """Time of one plain evaluation over all frames."""
    spots = synthetic.random_spots(len(music.layers))
    music.cost(spots)
    start = time.perf_counter()
    music.cost(spots)
    return time.perf_counter() - start


@pytest.mark.parametrize(("count", "ratio"), [(12, 350), (60, 350), (120, 350)])
def test_batched_candidates(benchmark, count: int, ratio: int) -> None:
    """A candidate of a batch costs less than a 350th of a plain evaluation."""
    music, landscape = made(count)
    states = np.random.default_rng(0).integers(0, OPTIONS, (24000 // count, count))
    landscape.costs(states[:4])
    benchmark.pedantic(landscape.costs, args=(states,), rounds=5, warmup_rounds=1)
    each = benchmark.stats.stats.min / len(states)
    plain = plain_seconds(music)
    benchmark.extra_info["candidates_per_second"] = round(1.0 / each)
    benchmark.extra_info["ratio_to_plain"] = round(plain / each)
    assert plain / each >= ratio


@pytest.mark.parametrize("count", [12, 60, 120])
def test_single_moves(benchmark, count: int) -> None:
    """An estimated move costs at most half a batched candidate at 12 tracks, a sixth from 60 on."""
    _, landscape = made(count)
    states = np.random.default_rng(1).integers(0, OPTIONS, (6000 // count, count))
    every = np.arange(OPTIONS)
    landscape.screen(states[0], 0, every)

    def sweep() -> None:
        for track in range(count):
            landscape.screen(states[0], track, every)

    benchmark.pedantic(sweep, rounds=5, warmup_rounds=1)
    each = benchmark.stats.stats.min / (count * OPTIONS)
    landscape.costs(states[:4])
    start = time.perf_counter()
    landscape.costs(states)
    full = (time.perf_counter() - start) / len(states)
    benchmark.extra_info["moves_per_second"] = round(1.0 / each)
    benchmark.extra_info["ratio_to_candidate"] = round(full / each, 1)
    assert full / each >= (2.0 if count == 12 else 6.0)
