"""Importance and clustered frames: what matters, and few frames that stand for many."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placer.cost.landscape import expand
from placer.cost.objective import evaluate, reference, start
from placer.cost.prepare import RANGE_DB, cluster_frames, gather, importance
from placer.cost.scene import Envelopes, Scene
from placer.placement.measured import clustered
from tests.placer import synthetic
from tests.placer.synthetic import Music, Spot


def over_few_frames(music: Music, n: int) -> tuple[Scene, Envelopes]:
    """The same music over a few frames."""
    env = music.envelopes
    label = cluster_frames(env.templates[:, :, 0], env.templates[:, :, 1], n, seed=0)
    short = Envelopes(clustered(env.templates, label)[0], env.early, env.late)
    return replace(music.scene, importance=gather(music.scene.importance, label)), short


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
    music = Music(synthetic.dense(5), [Spot()] * 5, frames=300)
    templates = music.envelopes.templates
    label = cluster_frames(*np.moveaxis(templates, 2, 0), 24, seed=1)
    few, weight = clustered(templates, label)
    assert weight.size == 24
    assert weight.sum() == pytest.approx(1.0)
    assert weight.min() > 0.0
    np.testing.assert_allclose(few @ weight, templates.mean(-1), rtol=1e-6)
    importance_of = music.scene.importance
    gathered = gather(importance_of, label)
    np.testing.assert_allclose(gathered.sum(-1), importance_of.sum(-1), rtol=1e-9)


def test_few_frames_are_kept_as_they_are() -> None:
    """No more frames than wanted: nothing changes."""
    templates = synthetic.sources(synthetic.dense(2), 20).templates
    few, weight = clustered(templates, cluster_frames(*np.moveaxis(templates, 2, 0), 64))
    np.testing.assert_allclose(few, templates, rtol=1e-6)  # in single precision
    np.testing.assert_allclose(weight, 1 / 20)


def test_same_seed_same_clusters() -> None:
    """Clustering depends on its arguments alone."""
    dry, room = np.moveaxis(synthetic.sources(synthetic.dense(3), 200).templates, 2, 0)
    one, two = (cluster_frames(dry, room, 16, seed=5) for _ in range(2))
    np.testing.assert_array_equal(one, two)


def test_the_level_of_a_layer_changes_no_cluster() -> None:
    """A loud and a soft export of the same stems have the same moments."""
    dry, room = np.random.default_rng(4).random((2, 3, 39, 100))
    label = cluster_frames(dry, room, 16, seed=5)
    gain = np.array([1024.0**2, 1.0, 0.5])[:, None, None]
    np.testing.assert_array_equal(cluster_frames(gain * dry, gain * room, 16, seed=5), label)


def test_alike_frames_share_a_cluster() -> None:
    """Two moments that alternate are found as two."""
    rng = np.random.default_rng(0)
    kinds = rng.uniform(0.1, 1.0, (3, 39, 2))
    turn = np.arange(60) % 2
    label = cluster_frames(kinds[..., turn], kinds[..., turn] * 0.1, 2)
    assert len(set(label[::2])) == len(set(label[1::2])) == 1
    assert label[0] != label[1]


@pytest.mark.parametrize("kinds", [1, 2, 7, 8])
def test_no_more_kinds_of_frames_than_clusters(kinds: int) -> None:
    """A steady sound: as many clusters as wanted all the same, none empty, and no kinds mixed."""
    sound = np.random.default_rng(0).uniform(0.1, 1.0, (3, 39, kinds))[..., np.arange(60) % kinds]
    label = cluster_frames(sound, 0.1 * sound, 8)
    assert set(label.tolist()) == set(range(8))
    assert sum(len(set(label[kind::kinds].tolist())) for kind in range(kinds)) == 8


@pytest.mark.parametrize(("count", "frames"), [(6, 400), (16, 700)])
def test_clustering_changes_the_cost_by_less_than_a_hundredth(count: int, frames: int) -> None:
    """64 frames against all: error of the cost below 1 %, over random placements."""
    music = Music(synthetic.dense(count, seed=3), [Spot()] * count, frames=frames)
    few_scene, few = over_few_frames(music, 64)
    compared = reference(few_scene, start(few_scene, few))
    for seed in range(4):
        spots = synthetic.random_spots(count, seed=seed)
        whole = music.cost(spots)
        options = [music.catalogue(t, [spot]) for t, spot in enumerate(spots)]
        sound = expand(few, options, np.zeros(count, int))
        short = evaluate(few_scene, sound, compared)
        assert short.total == pytest.approx(whole.total, rel=0.01)
        assert short.terms["audibility"] == pytest.approx(whole.terms["audibility"], rel=0.01)
