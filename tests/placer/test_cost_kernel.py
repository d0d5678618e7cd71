"""The fast kernel and the landscape: equal to the plain terms, and honest estimates of moves."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import spearmanr

from placer.cost.compiled import forget_stale
from placer.cost.fast import Catalogue, Kernel
from placer.cost.landscape import CatalogueLandscape
from placer.cost.objective import evaluate
from placer.cost.scene import Envelopes, Scene
from tests.placer import synthetic
from tests.placer.synthetic import Layer, Spot

OPTIONS = 24


def scene_of(
    layers: list[Layer], frames: int = 40, listening: tuple[float, float] = (0.5, 0.5)
) -> tuple[Scene, Envelopes]:
    env = synthetic.envelopes(layers, frames)
    return synthetic.scene(layers, env, [Spot() for _ in layers], listening=listening), env


def landscape_of(
    layers: list[Layer], *, threads: int = 1, listening: tuple[float, float] = (0.5, 0.5)
) -> tuple[CatalogueLandscape, Envelopes]:
    scene, env = scene_of(layers, listening=listening)
    catalogues = [
        Catalogue(*synthetic.gains([Spot(), *synthetic.random_spots(OPTIONS - 1, seed=t)]))
        for t in range(len(layers))
    ]
    kernel = Kernel(scene, env, threads=threads)
    return CatalogueLandscape(kernel, catalogues), env


def doubled(layers: list[Layer]) -> list[Layer]:
    """The same layers, two pairs of them declared doubles."""
    numbers = {0: 0, 3: 0, 1: 5, 2: 5}
    return [replace(layer, group=numbers.get(i, -1)) for i, layer in enumerate(layers)]


@pytest.mark.parametrize("count", [1, 5, 16, 19])
@pytest.mark.parametrize("listening", [(0.5, 0.5), (1.0, 0.0), (0.0, 1.0)])
@pytest.mark.parametrize("group", [False, True])
def test_kernel_equals_the_plain_terms(
    count: int, listening: tuple[float, float], group: bool
) -> None:
    """Whatever is asked, the compiled cost is the plain cost."""
    layers = synthetic.dense(count, seed=count)
    layers = doubled(layers) if group and count > 3 else layers
    scene, env = scene_of(layers, listening=listening)
    kernel = Kernel(scene, env, threads=1)
    for seed in range(3):
        spots = synthetic.random_spots(count, seed=seed)
        early, late, thirds, seats = synthetic.gains(spots)
        fast = kernel.cost(early, late, thirds_gain=thirds, seating=seats)
        plain = evaluate(scene, synthetic.sounding(env, spots)).total
        assert fast == pytest.approx(plain, rel=1e-4)


@pytest.mark.parametrize(
    "cheat",
    [
        Spot(pan=-1.0),
        Spot(turn=np.pi),
        Spot(coherence=0.0),
        Spot(gain_db=-200.0),
        Spot(gain_db=20.0),
        Spot(clarity_db=60.0),
        Spot(clarity_db=-60.0),
    ],
)
def test_kernel_equals_the_plain_terms_at_the_edges(cheat: Spot) -> None:
    """Silence, one side, antiphase and extremes of level cost the same in both."""
    layers = synthetic.dense(6)
    scene, env = scene_of(layers)
    for spots in ([cheat] * 6, [cheat] + [Spot(pan=0.3 * i - 0.8) for i in range(5)]):
        early, late, thirds, seats = synthetic.gains(spots)
        fast = Kernel(scene, env).cost(early, late, thirds_gain=thirds, seating=seats)
        plain = evaluate(scene, synthetic.sounding(env, spots)).total
        assert fast == pytest.approx(plain, rel=1e-4)


def test_a_silent_track_costs_the_same_in_both() -> None:
    """A stem without sound in the excerpt neither breaks the kernel nor the plain terms."""
    layers = synthetic.dense(4)
    env = synthetic.envelopes(layers, 30)
    quiet = [np.array(a) for a in (env.early, env.late, env.power, env.third_power)]
    for part in quiet:
        part[2] = 0.0
    env = Envelopes(quiet[0], quiet[1], env.frame_weight, quiet[2], quiet[3])
    scene = synthetic.scene(layers, env, [Spot()] * 4)
    spots = synthetic.random_spots(4)
    early, late, thirds, seats = synthetic.gains(spots)
    plain = evaluate(scene, synthetic.sounding(env, spots)).total
    fast = Kernel(scene, env).cost(early, late, thirds_gain=thirds, seating=seats)
    assert fast == pytest.approx(plain, rel=1e-4)


def test_mended_options_hold_their_tracks_limits_and_stay_near() -> None:
    """Whoever breaks a limit of its own goes to the nearest that does not; the others stay."""
    layers = synthetic.dense(4)
    scene, env = scene_of(layers)
    spots = [Spot(), Spot(pan=0.6, clarity_db=20.0), Spot(pan=0.5, clarity_db=6.0), Spot(pan=-0.5)]
    catalogues = [Catalogue(*synthetic.gains(spots)) for _ in layers]
    landscape = CatalogueLandscape(Kernel(scene, env, threads=1), catalogues)
    begun = np.array([1, 3, 1, 0])
    mended = landscape.mended(begun)
    assert mended.tolist() == [2, 3, 2, 0]
    assert begun.tolist() == [1, 3, 1, 0]
    for state, drier in ((begun, True), (mended, False)):
        cost = evaluate(scene, synthetic.sounding(env, [spots[k] for k in state]))
        assert (cost.violations["drier"] > 0.0) == drier


def test_landscape_costs_what_its_options_cost() -> None:
    """A state of options costs what a candidate with these gains costs, one or many at a time."""
    layers = doubled(synthetic.dense(7))
    landscape, env = landscape_of(layers)
    states = np.random.default_rng(0).integers(0, OPTIONS, (5, 7))
    many = landscape.costs(states)
    for state, cost in zip(states, many, strict=True):
        spots = [
            [Spot(), *synthetic.random_spots(OPTIONS - 1, seed=t)][o] for t, o in enumerate(state)
        ]
        plain = evaluate(landscape.kernel.scene, synthetic.sounding(env, spots)).total
        assert cost == pytest.approx(plain, rel=1e-4)
        assert landscape.cost(state) == cost


@pytest.mark.parametrize("group", [False, True])
def test_a_move_to_where_one_is_costs_what_one_has(group: bool) -> None:
    """The estimate is exact for the option that is already taken."""
    layers = synthetic.dense(18)
    landscape, _ = landscape_of(doubled(layers) if group else layers)
    state = np.random.default_rng(1).integers(0, OPTIONS, 18)
    cost = landscape.cost(state)
    for track in range(18):
        assert landscape.screen(state, track, state[track : track + 1])[0] == pytest.approx(
            cost, rel=1e-6
        )


@pytest.mark.parametrize("group", [False, True])
def test_estimates_order_moves_as_their_full_costs_do(group: bool) -> None:
    """Screening finds the good moves: rank correlation .99 with full costs over all tracks."""
    layers = synthetic.dense(10)
    landscape, _ = landscape_of(doubled(layers) if group else layers)
    state = np.random.default_rng(2).integers(0, OPTIONS, 10)
    every = np.arange(OPTIONS)
    for track in range(10):
        moved = np.repeat(state[None], OPTIONS, 0)
        moved[:, track] = every
        exact, estimate = landscape.costs(moved), landscape.screen(state, track, every)
        assert spearmanr(exact, estimate)[0] >= 0.99
        assert exact[estimate.argmin()] == pytest.approx(exact.min(), abs=2e-3)


@pytest.mark.parametrize("listening", [(1.0, 0.0), (0.0, 1.0)])
def test_estimates_follow_the_slope_of_small_moves(listening: tuple[float, float]) -> None:
    """For options a hair apart the estimate of the change is the change, to a twentieth."""
    layers = synthetic.dense(6)
    scene, env = scene_of(layers, listening=listening)
    base = synthetic.random_spots(6, seed=9)
    catalogues = []
    for spot in base:
        near = [spot, replace(spot, pan=spot.pan + 0.002), replace(spot, turn=spot.turn + 0.01)]
        catalogues.append(Catalogue(*synthetic.gains(near)))
    landscape = CatalogueLandscape(Kernel(scene, env), catalogues)
    state = np.zeros(6, int)
    for track in range(6):
        moved = np.repeat(state[None], 3, 0)
        moved[:, track] = [0, 1, 2]
        exact = landscape.costs(moved)
        estimate = landscape.screen(state, track, np.arange(3))
        np.testing.assert_allclose(np.diff(estimate), np.diff(exact), rtol=0.05, atol=2e-7)


def test_threads_change_nothing_but_time() -> None:
    """One thread or two give the same numbers."""
    one, _ = landscape_of(synthetic.dense(5))
    two, _ = landscape_of(synthetic.dense(5), threads=2)
    states = np.random.default_rng(3).integers(0, OPTIONS, (40, 5))
    np.testing.assert_array_equal(one.costs(states), two.costs(states))
    every = np.tile(np.arange(OPTIONS), 8)
    np.testing.assert_array_equal(one.screen(states[0], 2, every), two.screen(states[0], 2, every))


def test_estimates_do_not_depend_on_what_was_asked_before() -> None:
    """What the landscape remembers never leaks into another state's estimates."""
    landscape, _ = landscape_of(synthetic.dense(5))
    first, second = np.zeros(5, int), np.full(5, 3)
    fresh = landscape.screen(first, 1, np.arange(6))
    landscape.screen(second, 1, np.arange(6))
    np.testing.assert_array_equal(landscape.screen(first, 1, np.arange(6)), fresh)


def test_compiled_results_older_than_any_source_are_forgotten(tmp_path: Path) -> None:
    """A changed constant in one file reaches loops compiled in another."""
    (tmp_path / "__pycache__").mkdir()
    old, new = (tmp_path / "__pycache__" / name for name in ("a.nbc", "b.nbi"))
    source = tmp_path / "a.py"
    for path, time in ((old, 100.0), (source, 200.0), (new, 300.0)):
        path.write_bytes(b"")
        os.utime(path, (time, time))
    assert forget_stale(tmp_path) == 1
    assert not old.exists()
    assert new.exists()


def test_wrong_questions_are_refused() -> None:
    """States and options that do not exist, and frames that do not fit, are errors."""
    landscape, env = landscape_of(synthetic.dense(3))
    with pytest.raises(IndexError, match="a state holds 3 options"):
        landscape.cost(np.array([0, 0, OPTIONS]))
    with pytest.raises(IndexError, match="a state holds 3 options"):
        landscape.cost(np.array([0, 0]))
    with pytest.raises(IndexError, match="track 1 has options 0 to 23"):
        landscape.screen(np.zeros(3, int), 1, np.array([-1]))
    fewer = replace(env, early=env.early[..., :9], late=env.late[..., :9],
                    frame_weight=np.full(9, 1 / 9))  # fmt: skip
    with pytest.raises(ValueError, match="cluster both with the same labels"):
        Kernel(landscape.kernel.scene, fewer)
    with pytest.raises(ValueError, match="as many of each"):
        Catalogue(np.zeros((2, 4, 39)), np.zeros((1, 4, 39)), np.zeros((2, 4, 11)), np.zeros(2))
