"""The fast kernel and the landscape: equal to the plain terms, and honest estimates of moves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import spearmanr

from placer.cost.fast import Catalogue, Kernel
from placer.cost.kernel_mix import costs
from placer.cost.landscape import CatalogueLandscape, breakdown, expand
from placer.cost.landscape import landscape_of as over
from placer.cost.limits import PENALTY
from placer.cost.scene import Envelopes, Limits
from tests.placer import synthetic
from tests.placer.synthetic import Layer, Music, Spot

OPTIONS = 24
CONTRAST = Limits(contrast_db=2.0)
"""Every limit that there is."""


def music_of(layers: list[Layer], **how: object) -> Music:
    """Layers over few frames, a third of them in the foreground."""
    ranked = [
        replace(layer, foreground=i % 3 == 0, elsewhere=(1.0 + i % 4, 1.0 + i % 3))
        for i, layer in enumerate(layers)
    ]
    given = {"limits": CONTRAST, **how}
    return Music(ranked, [Spot()] * len(layers), frames=40, **given)  # type: ignore[arg-type]


def spots_of(music: Music) -> list[list[Spot]]:
    """Random options of every track, the first the reference."""
    return [
        [music.start[t], *synthetic.random_spots(OPTIONS - 1, seed=t)]
        for t in range(len(music.layers))
    ]


def catalogues_of(music: Music, spots: list[list[Spot]]) -> list[Catalogue]:
    """Options of every track, as they are measured."""
    return [music.catalogue(track, some) for track, some in enumerate(spots)]


def landscape_over(
    music: Music, spots: list[list[Spot]], *, threads: int = 1
) -> CatalogueLandscape:
    """Options of every track."""
    kernel = Kernel(music.scene, music.envelopes, threads=threads)
    return over(kernel, catalogues_of(music, spots))


def landscape_of(layers: list[Layer], *, threads: int = 1, **how: object) -> CatalogueLandscape:
    """Random options of layers."""
    music = music_of(layers, **how)
    return landscape_over(music, spots_of(music), threads=threads)


def fast_and_plain(music: Music, spots: list[Spot]) -> tuple[float, float]:
    """Cost of places by the compiled loops, and by the plain terms."""
    landscape = landscape_over(music, [[spot] for spot in spots])
    only = np.zeros(len(spots), int)
    return landscape.cost(only) - sum(s.effort for s in spots), music.cost(spots).total


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
    """Whatever is asked, the compiled cost is the plain cost, without violations too."""
    layers = synthetic.dense(count, seed=count)
    music = music_of(doubled(layers) if group and count > 3 else layers, listening=listening)
    landscape, catalogues = (one(music, spots_of(music)) for one in (landscape_over, catalogues_of))
    for seed in range(3):
        state = np.random.default_rng(seed).integers(0, OPTIONS, count)
        plain = breakdown(landscape.kernel, catalogues, state)
        effort = sum(one.effort[k] for one, k in zip(catalogues, state, strict=True))
        broken = landscape.violation(state)
        assert landscape.cost(state) - effort == pytest.approx(plain.total, rel=1e-5)
        assert broken == pytest.approx(sum(plain.violations.values()), rel=1e-6)
        free = landscape.penalised(0.0).cost(state) - effort
        assert free == pytest.approx(plain.total - PENALTY * broken, rel=1e-5)


@pytest.mark.parametrize(
    "limits",
    [
        replace(CONTRAST, late_db=0.1), replace(CONTRAST, low_db=0.1),
        replace(CONTRAST, balance_db=0.1), replace(CONTRAST, mono_db=0.1),
    ],
    ids=["late", "low", "balance", "mono"],
)  # fmt: skip
def test_each_limit_of_the_mix_is_its_own(limits: Limits) -> None:
    """Where one of them alone is close, the compiled loops break as much as the plain terms do."""
    music = music_of(synthetic.dense(6, seed=4), limits=limits)
    spots = spots_of(music)
    landscape, catalogues = landscape_over(music, spots), catalogues_of(music, spots)
    for state in np.random.default_rng(1).integers(0, OPTIONS, (4, 6)):
        plain = breakdown(landscape.kernel, catalogues, state)
        assert landscape.violation(state) == pytest.approx(sum(plain.violations.values()), rel=1e-6)


@pytest.mark.parametrize(
    "cheat",
    [
        Spot(pan=-1.0),
        Spot(turn=np.pi),
        Spot(coherence=0.0),
        Spot(gain_db=-200.0),
        Spot(gain_db=20.0),
        Spot(gain_db=-3.0),
        Spot(clarity_db=60.0),
        Spot(clarity_db=-60.0),
        Spot(direct=0.0),
        Spot(direct=1.0),
    ],
)
def test_kernel_equals_the_plain_terms_at_the_edges(cheat: Spot) -> None:
    """Silence, one side, antiphase and extremes of level cost the same in both."""
    music = music_of(synthetic.dense(6))
    for spots in ([cheat] * 6, [cheat] + [Spot(pan=0.3 * i - 0.8) for i in range(5)]):
        fast, plain = fast_and_plain(music, spots)
        assert fast == pytest.approx(plain, rel=1e-4)


@pytest.mark.parametrize("listening", [(1.0, 0.0), (0.0, 1.0)])
def test_rooms_that_lean_cost_the_same_in_both(listening: tuple[float, float]) -> None:
    """Late sound that is stronger on one side and alike in both channels, as recorded rooms are."""
    for seed in range(4):
        rng = np.random.default_rng(seed)
        left, phase = rng.uniform(0.2, 0.8, 8), np.exp(1j * rng.uniform(-np.pi, np.pi, 8))
        cross = 0.9 * np.sqrt(left * (1.0 - left)) * phase
        rooms = np.stack([left, 1.0 - left, cross.real, cross.imag], 1).tolist()
        spots = [
            replace(spot, clarity_db=-6.0, room=tuple(room))
            for spot, room in zip(synthetic.random_spots(8, seed), rooms, strict=True)
        ]
        fast, plain = fast_and_plain(music_of(synthetic.dense(8), listening=listening), spots)
        assert fast == pytest.approx(plain, rel=1e-5)


def test_a_silent_track_costs_the_same_in_both() -> None:
    """A stem without sound in the excerpt neither breaks the kernel nor the plain terms."""
    music = music_of(synthetic.dense(4), silent=2)
    fast, plain = fast_and_plain(music, synthetic.random_spots(4))
    assert np.isfinite(plain)
    assert fast == pytest.approx(plain, rel=1e-4)


def test_what_the_landscape_compares_with_knows_no_options() -> None:
    """The reference of a kernel follows from scene and envelopes, as the plain level has it."""
    music = music_of(synthetic.dense(5))
    compared = Kernel(music.scene, music.envelopes, threads=1).compared
    np.testing.assert_allclose(compared.margin_db, music.compared.margin_db, rtol=1e-12)
    np.testing.assert_allclose(compared.tracks.drr_db, music.compared.tracks.drr_db, rtol=1e-12)


def test_landscape_costs_what_its_options_cost() -> None:
    """A state costs what a candidate with these places costs, one or many at a time."""
    music = music_of(doubled(synthetic.dense(7)))
    spots = spots_of(music)
    landscape = landscape_over(music, spots)
    states = np.random.default_rng(0).integers(0, OPTIONS, (5, 7))
    many = landscape.costs(states)
    for state, cost in zip(states, many, strict=True):
        chosen = [spots[t][option] for t, option in enumerate(state)]
        plain = music.cost(chosen).total + sum(spot.effort for spot in chosen)
        assert cost == pytest.approx(plain, rel=1e-4)
        assert landscape.cost(state) == cost
        sound = expand(music.envelopes, catalogues_of(music, spots), state)
        np.testing.assert_allclose(sound.early, music.sounding(chosen).early, rtol=1e-12)


def test_effort_is_searched_by_and_reported_apart() -> None:
    """Effort adds to what a search sees and to no term of the cost."""
    music = music_of(synthetic.dense(3))
    free = [[Spot(), Spot(pan=0.3)]] * 3
    dear = [[Spot(), Spot(pan=0.3, effort=0.02)]] * 3
    one, other = landscape_over(music, free), landscape_over(music, dear)
    state = np.array([1, 0, 1])
    assert other.cost(state) - one.cost(state) == pytest.approx(0.04, abs=1e-7)
    plain = [
        breakdown(landscape.kernel, catalogues_of(music, spots), state).total
        for landscape, spots in ((one, free), (other, dear))
    ]
    assert plain[0] == plain[1]
    moved = other.screen(state, 1, np.arange(2)) - one.screen(state, 1, np.arange(2))
    np.testing.assert_allclose(moved, [0.04, 0.06], atol=1e-7)


def test_softer_walls_cost_less_and_break_as_much() -> None:
    """A lower penalty changes what a dB beyond a limit costs, in states and in estimates."""
    landscape = landscape_of(synthetic.dense(5))
    state = np.full(5, 7)
    soft, broken = landscape.penalised(0.25), landscape.violation(state)
    assert broken > 1.0
    assert soft.violation(state) == broken
    assert landscape.cost(state) - soft.cost(state) == pytest.approx(0.75 * broken, rel=1e-9)
    estimate = soft.screen(state, 2, state[2:3])[0]
    assert estimate == pytest.approx(soft.cost(state), rel=1e-6)
    assert landscape.violation(np.zeros(5, int)) == 0.0


@pytest.mark.parametrize("group", [False, True])
def test_a_move_to_where_one_is_costs_what_one_has(group: bool) -> None:
    """The estimate is exact for the option that is already taken."""
    layers = synthetic.dense(18)
    landscape = landscape_of(doubled(layers) if group else layers)
    state = np.random.default_rng(1).integers(0, OPTIONS, 18)
    cost = landscape.cost(state)
    for track in range(18):
        assert landscape.screen(state, track, state[track : track + 1])[0] == pytest.approx(
            cost, rel=1e-6
        )


@pytest.mark.parametrize("group", [False, True])
def test_estimates_order_moves_as_their_full_costs_do(group: bool) -> None:
    """Screening finds the good moves: rank correlation .98 with full costs over all tracks.

    What the background loses is a sharp corner of two estimates, hence not .99.
    """
    layers = synthetic.dense(10)
    landscape = landscape_of(doubled(layers) if group else layers)
    state = np.random.default_rng(2).integers(0, OPTIONS, 10)
    every = np.arange(OPTIONS)
    for track in range(10):
        moved = np.repeat(state[None], OPTIONS, 0)
        moved[:, track] = every
        exact, estimate = landscape.costs(moved), landscape.screen(state, track, every)
        assert spearmanr(exact, estimate)[0] >= 0.98
        assert exact[estimate.argmin()] == pytest.approx(exact.min(), abs=5e-3)


@pytest.mark.parametrize("listening", [(1.0, 0.0), (0.0, 1.0)])
def test_estimates_follow_the_slope_of_small_moves(listening: tuple[float, float]) -> None:
    """For options a hair apart the estimate of the change is the change, to a twentieth."""
    base = [replace(spot, room=(0.6, 0.4, 0.1, 0.2)) for spot in synthetic.random_spots(6, seed=9)]
    music = music_of(synthetic.dense(6), listening=listening)
    hair = [
        [
            spot,
            replace(spot, pan=spot.pan + 0.002),
            replace(spot, turn=spot.turn + 0.01),
            replace(spot, room=(0.599, 0.401, 0.1, 0.2)),
            replace(spot, room=(0.6, 0.4, 0.103, 0.2)),
            replace(spot, room=(0.6, 0.4, 0.1, 0.205)),
        ]
        for spot in base
    ]
    landscape = landscape_over(music, hair)
    state = np.zeros(6, int)
    for track in range(6):
        moved = np.repeat(state[None], 6, 0)
        moved[:, track] = np.arange(6)
        exact = landscape.costs(moved)
        estimate = landscape.screen(state, track, np.arange(6))
        np.testing.assert_allclose(np.diff(estimate), np.diff(exact), rtol=0.05, atol=5e-7)


def test_threads_change_nothing_but_time() -> None:
    """One thread or two give the same numbers."""
    one, two = (landscape_of(synthetic.dense(5), threads=n) for n in (1, 2))
    states = np.random.default_rng(3).integers(0, OPTIONS, (40, 5))
    np.testing.assert_array_equal(one.costs(states), two.costs(states))
    every = np.tile(np.arange(OPTIONS), 8)
    np.testing.assert_array_equal(one.screen(states[0], 2, every), two.screen(states[0], 2, every))


def test_states_in_any_order_of_memory_cost_the_same_and_compile_nothing() -> None:
    """Columns of a larger array, a transpose, every other row: to the bit as in rows."""
    landscape = landscape_of(synthetic.dense(5))
    rows = np.random.default_rng(5).integers(OPTIONS, size=(6, 5))
    expected = landscape.costs(rows)
    before = len(costs.signatures)
    wide = np.repeat(rows, 2, axis=1)
    for states in (np.asfortranarray(rows), wide[:, ::2], rows[:, np.arange(5)]):
        assert np.array_equal(landscape.costs(states), expected)
    assert len(costs.signatures) == before


def test_estimates_do_not_depend_on_what_was_asked_before() -> None:
    """What the landscape remembers never leaks into another state's estimates."""
    landscape = landscape_of(synthetic.dense(5))
    first, second = np.zeros(5, int), np.full(5, 3)
    fresh = landscape.screen(first, 1, np.arange(6))
    landscape.screen(second, 1, np.arange(6))
    np.testing.assert_array_equal(landscape.screen(first, 1, np.arange(6)), fresh)


def test_a_partner_is_heard_where_the_other_was() -> None:
    """The nearest option within a clear step is named, and none where there is none."""
    music = music_of(synthetic.dense(2))
    far = Spot(pan=-0.9, clarity_db=12.0)
    landscape = landscape_over(music, [[Spot(), far], [Spot(pan=0.2), Spot(pan=0.6), Spot()]])
    assert landscape.partner(0, 0, 1) == 2
    assert landscape.partner(0, 1, 1) is None


def test_wrong_questions_are_refused() -> None:
    """States and options that do not exist, and frames that do not fit, are errors."""
    landscape = landscape_of(synthetic.dense(3))
    with pytest.raises(IndexError, match="a state holds 3 options"):
        landscape.cost(np.array([0, 0, OPTIONS]))
    with pytest.raises(IndexError, match="a state holds 3 options"):
        landscape.cost(np.array([0, 0]))
    with pytest.raises(IndexError, match="track 1 has options 0 to 23"):
        landscape.screen(np.zeros(3, int), 1, np.array([-1]))
    env = landscape.kernel.envelopes
    fewer = replace(env, templates=env.templates[..., :9])
    with pytest.raises(ValueError, match="cluster both with the same labels"):
        Kernel(landscape.kernel.scene, fewer)
    music = music_of(synthetic.dense(3))
    one = music.catalogue(0, spots_of(music)[0])
    with pytest.raises(ValueError, match="as many of each"):
        Catalogue(one.early[:2], one.late[:1], one.totals, one.seating, one.effort)
    with pytest.raises(ValueError, match="0 or more"):
        replace(env, templates=-env.templates)
    with pytest.raises(ValueError, match="Envelopes.templates has shape"):
        Envelopes(env.templates[:, :, :1], env.early, env.late)
