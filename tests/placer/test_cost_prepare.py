"""Importance and clustered frames: what matters, and few frames that stand for many."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placer.cost.objective import evaluate
from placer.cost.prepare import RANGE_DB, cluster_frames, gather, importance
from placer.cost.scene import Envelopes, Scene
from tests.placer import synthetic
from tests.placer.synthetic import Spot


def clustered(scene: Scene, env: Envelopes, n: int) -> tuple[Scene, Envelopes]:
    """The same scene over a few frames."""
    few = cluster_frames(env.early, env.late, n, seed=0)
    weights = gather(scene.importance, few.label, n)
    short = Envelopes(few.early, few.late, few.weight, env.power, env.third_power)
    return replace(scene, importance=weights), short


def test_importance_sums_to_one_and_follows_energy() -> None:
    """Louder cells matter more, though compressed; cells far below the loudest not at all."""
    early = np.zeros((2, 4, 2, 2))
    early[0, 0] = [[1.0, 10 ** (-RANGE_DB / 10 - 0.1)], [0.1, 0.0]]
    found = importance(early, np.zeros_like(early), np.ones(2))
    assert found[0].sum() == pytest.approx(1.0)
    assert found[1].sum() == 0.0
    assert found[0, 0, 1] == found[0, 1, 1] == 0.0
    assert 0.1 < found[0, 1, 0] / found[0, 0, 0] < 1.0


def test_late_energy_matters_to_what_does_not_articulate() -> None:
    """A pad's tail is part of it, a drum's is not."""
    early, late = np.zeros((2, 2, 4, 1, 2))
    early[:, 0, 0, 0] = late[:, 0, 0, 1] = 1.0
    drum, pad = importance(early, late, np.array([1.0, 0.0]))
    np.testing.assert_allclose(drum, [[1.0, 0.0]])
    np.testing.assert_allclose(pad, [[0.5, 0.5]])


def test_clusters_keep_energy_and_importance() -> None:
    """Every track and band keeps its mean energy; weights and importance still sum to one."""
    layers = synthetic.dense(5)
    env = synthetic.envelopes(layers, 300)
    scene = synthetic.scene(layers, env, [Spot()] * 5)
    few = cluster_frames(env.early, env.late, 24, seed=1)
    assert few.weight.sum() == pytest.approx(1.0)
    assert few.weight.min() > 0.0
    np.testing.assert_allclose(few.early @ few.weight, env.early.mean(-1), rtol=1e-9)
    np.testing.assert_allclose(few.late @ few.weight, env.late.mean(-1), rtol=1e-9)
    gathered = gather(scene.importance, few.label, 24)
    np.testing.assert_allclose(gathered.sum(-1), scene.importance.sum(-1), rtol=1e-9)


def test_few_frames_are_kept_as_they_are() -> None:
    """No more frames than wanted: nothing changes."""
    env = synthetic.envelopes(synthetic.dense(2), 20)
    few = cluster_frames(env.early, env.late, 64)
    np.testing.assert_array_equal(few.early, env.early)
    np.testing.assert_allclose(few.weight, 1 / 20)


def test_same_seed_same_clusters() -> None:
    """Clustering depends on its arguments alone."""
    env = synthetic.envelopes(synthetic.dense(3), 200)
    one, two = (cluster_frames(env.early, env.late, 16, seed=5) for _ in range(2))
    np.testing.assert_array_equal(one.label, two.label)


def test_alike_frames_share_a_cluster() -> None:
    """Two moments that alternate are found as two."""
    rng = np.random.default_rng(0)
    kinds = rng.uniform(0.1, 1.0, (3, 39, 2))
    turn = np.arange(60) % 2
    few = cluster_frames(kinds[..., turn], kinds[..., turn] * 0.1, 2)
    assert len(set(few.label[::2])) == len(set(few.label[1::2])) == 1
    np.testing.assert_allclose(few.weight, 0.5)


@pytest.mark.parametrize(("count", "frames"), [(6, 400), (16, 700)])
def test_clustering_changes_the_cost_by_less_than_a_hundredth(count: int, frames: int) -> None:
    """64 frames against all: error of the cost below 1 %, over random placements."""
    layers = synthetic.dense(count, seed=3)
    env = synthetic.envelopes(layers, frames)
    scene = synthetic.scene(layers, env, [Spot()] * count)
    few_scene, few = clustered(scene, env, 64)
    for seed in range(4):
        spots = synthetic.random_spots(count, seed=seed)
        whole = evaluate(scene, synthetic.sounding(env, spots))
        short = evaluate(few_scene, synthetic.sounding(few, spots))
        assert short.total == pytest.approx(whole.total, rel=0.01)
        assert short.terms["audibility"] == pytest.approx(whole.terms["audibility"], rel=0.01)
