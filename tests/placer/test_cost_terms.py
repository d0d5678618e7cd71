"""Each term of the cost at known points: zero at its target, growing both ways, units as named."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placer.audio.k_weighting import k_weighting_response
from placer.cost.definition import definition
from placer.cost.formulas import FORGIVEN_DB, fold_loss_db, lean_db, likeness
from placer.cost.limits import (
    LOUDNESS_SLACK_DB,
    share_violation,
    side_violation,
    whole_violations,
)
from placer.cost.low_weight import (
    layer_change_db,
    layer_matters,
    low_change_db,
    low_weight,
    significance,
)
from placer.cost.mix_terms import balance, loudness, missing_lu, mono, track_loss_db
from placer.cost.objective import Cost, evaluate, reference
from placer.cost.overlap import SIDE_LOW, Common, common, overlap, shared
from placer.cost.perceived_place import Place, band_shares, lateral_deg, mono_gain_db, place
from placer.cost.place_only import band_energy, place_only
from placer.cost.scene import Limits, Totals
from placer.cost.tone import tone_change_db, tone_shares
from placer.cost.track_figures import measure, standard
from placer.cost.whole import late_change_db, rows, whole
from placer.cue.records import Weights
from tests.placer import synthetic
from tests.placer.synthetic import Layer, Music, Spot


@pytest.mark.parametrize(
    ("level_db", "degrees"),
    [(0, 0.0), (1, 1.90), (3, 5.64), (6, 10.86), (9, 15.37), (12, 19.06), (18, 24.14), (30, 28.46)],
)
def test_side_follows_the_tangent_law(level_db: float, degrees: float) -> None:
    """Degrees of a phantom source at +-30 degrees, closed form of the tangent law."""
    louder = np.array(10 ** (level_db / 10))
    assert float(lateral_deg(np.array(1.0), louder)) == pytest.approx(degrees, abs=0.01)
    assert float(lateral_deg(louder, np.array(1.0))) == pytest.approx(-degrees, abs=0.01)


def test_hard_sides() -> None:
    """One channel alone is heard at its loudspeaker."""
    assert float(lateral_deg(np.array(0.0), np.array(1.0))) == pytest.approx(30.0)
    assert float(lateral_deg(np.array(0.0), np.array(0.0))) == 0.0


@pytest.mark.parametrize(
    ("volume", "seconds", "distance", "clarity"),
    [(20000, 2.0, 3, 8.64), (20000, 2.0, 5, 5.05), (20000, 2.0, 10, 1.51), (20000, 2.0, 40, -0.89),
     (10000, 1.8, 10, 0.99), (3000, 1.5, 3, 4.31), (3000, 1.5, 10, 1.01)],
)  # fmt: skip
def test_early_against_late_is_clarity(
    volume: float, seconds: float, distance: float, clarity: float
) -> None:
    """C80 of Barron & Lee's revised theory (1988): direct, early and late energy at a distance."""
    direct = 100.0 / distance**2
    reflected = 31200.0 * seconds / volume * np.exp(-13.8 / 340.0 * distance / seconds)
    late = reflected * np.exp(-13.8 * 0.08 / seconds)
    near, far, first = np.zeros((3, 1, 4, 1))
    near[0, :2], far[0, :2], first[0, :2] = (direct + reflected - late) / 2, late / 2, direct / 2
    found = place(Totals(near, far, first, np.zeros((1, 4, 11))), np.ones((1, 1)))
    assert found.early_late_db[0] == pytest.approx(clarity, abs=0.02)
    assert found.drr_db[0] == pytest.approx(10 * np.log10(direct / reflected), abs=1e-9)


@pytest.mark.parametrize(
    ("distance", "ratio_db"), [(3, 5.78), (5, 1.51), (10, -4.07), (20, -9.22), (40, -13.51)]
)
def test_direct_against_the_rest_falls_with_distance(distance: float, ratio_db: float) -> None:
    """Direct-to-reverberant ratio of the revised theory in 20000 m3 and 2 s, worked out by hand."""
    direct = 100.0 / distance**2
    reflected = 31200.0 * 2.0 / 20000.0 * np.exp(-0.04 * distance / 2.0)
    near, far, first = np.zeros((3, 1, 4, 1))
    near[0, 0], far[0, 0], first[0, 0] = direct + 0.3 * reflected, 0.7 * reflected, direct
    found = place(Totals(near, far, first, np.zeros((1, 4, 11))), np.ones((1, 1)))
    assert found.drr_db[0] == pytest.approx(ratio_db, abs=0.06)


def test_bands_count_by_their_importance() -> None:
    """In the reference each band carries its part of the importance, whenever its energy comes."""
    totals = SCENE.reference
    energy = (totals.early + totals.late)[:, 0] + (totals.early + totals.late)[:, 1]
    part = SCENE.importance.sum(-1) / SCENE.importance.sum((1, 2))[:, None]
    np.testing.assert_allclose(band_shares(SCENE.importance, totals) * energy, part, rtol=1e-9)


def test_all_direct_and_none_are_held_to_30_db() -> None:
    """Where one of the energies is missing, the ratio ends at its range, silence at 0."""
    near, none = np.ones((3, 4, 1)), np.zeros((3, 4, 1))
    near[2], first = 0.0, near.copy()
    first[1] = 0.0
    found = place(Totals(near, none, first, np.zeros((3, 4, 11))), np.ones((3, 1)))
    np.testing.assert_allclose(found.drr_db, [30.0, -30.0, 0.0], atol=1e-9)


def test_definition_asks_only_those_who_articulate() -> None:
    """Clear is free, all late costs the articulation, a pad never pays; more late costs more."""
    late = 10.0 ** (-np.array([FORGIVEN_DB + 1.0, FORGIVEN_DB, 0.0, -10.0]) / 10.0)
    cost = definition(np.ones(4), late, np.ones(4))
    assert cost[0] == cost[1] == pytest.approx(0.0, abs=1e-12)
    assert 0.0 < cost[2] < cost[3] < 1.0
    np.testing.assert_array_equal(definition(np.ones(4), late, np.zeros(4)), 0.0)
    assert float(definition(np.array(0.0), np.array(1.0), np.array(0.7))) == pytest.approx(0.7)


def test_a_clear_step_ends_likeness() -> None:
    """Alike at the same place, half a step away nine sixteenths, not at all a whole step away."""
    steps = np.array([0.0, 0.5, -0.5, 1.0, -1.0, 3.0])
    np.testing.assert_allclose(likeness(steps), [1.0, 0.5625, 0.5625, 0.0, 0.0, 0.0])


def places(side_db: list[float], drr_db: list[float]) -> Place:
    """Places of tracks by right against left, and by direct against the rest."""
    direct, sides = (10.0 ** (np.array(x) / 10.0) for x in (drr_db, side_db))
    near, far = np.zeros((2, len(sides), 4, 1))
    near[:, 0, 0], near[:, 1, 0] = direct / (1 + sides), direct * sides / (1 + sides)
    far[:, 0] = 1.0
    thirds = np.zeros((len(sides), 4, 11))
    return place(Totals(near, far, near, thirds), np.ones((len(sides), 1)))


def test_overlap_counts_what_is_shared() -> None:
    """Two layers alike in all: one half. Other bands, or doubles of one group: nothing."""
    cells = np.zeros((3, 2, 2))
    cells[0, 0], cells[1, 0], cells[2, 1] = 0.5, 0.5, 0.5
    alike = shared(cells, np.full(3, -1))
    np.testing.assert_allclose(alike, [[0, 1, 0], [1, 0, 0], [0, 0, 0]])
    assert shared(cells, np.array([4, 4, -1])).sum() == 0.0
    half = Common(0.5 * alike, 0.5 * alike)
    for drr in (-9.0, 0.0, 5.0):  # wherever they are together, they are as much in the way
        np.testing.assert_allclose(overlap(places([0.0] * 3, [drr] * 3), half), [0.5, 0.5, 0.0])


def test_neither_side_nor_depth_makes_the_other_idle() -> None:
    """A clear step to the side takes the side's part, a step in depth the depth's, both all."""
    pair = np.array([[0.0, 1.0], [1.0, 0.0]])
    parts = Common(0.2 * pair, 0.8 * pair)
    for side, drr, left in ((0.0, 0.0, 1.0), (9.0, 0.0, 0.8), (0.0, 3.0, 0.2), (9.0, 3.0, 0.0)):
        found = overlap(places([0.0, side], [0.0, drr]), parts)
        np.testing.assert_allclose(found, left / (1.0 + left), atol=1e-9)


def test_lows_are_told_apart_by_depth_for_the_most_part() -> None:
    """Side has a fifth of what two basses share, half of what two flutes do."""
    pairs = [Layer("a", 40.0, 110.0), Layer("b", 40.0, 110.0), Layer("c", 2000.0, 8000.0),
             Layer("d", 2000.0, 8000.0)]  # fmt: skip
    found = common(Music(pairs, [Spot()] * 4, frames=8).scene)
    part = found.side / np.maximum(found.side + found.depth, 1e-9)
    assert SIDE_LOW < part[0, 1] < 0.3  # a few bands above 250 Hz are left of each
    assert part[2, 3] == pytest.approx(0.5, abs=1e-3)
    assert (found.side + found.depth)[0, 1] > 0.8
    np.testing.assert_array_equal(found.side, found.side.T)


def test_tone_is_what_bands_have_against_one_another() -> None:
    """One gain for all bands changes nothing; a tilt moves by its mean and its most."""
    centres = np.array([100.0, 300.0, 600.0, 1200.0, 2400.0, 4800.0])
    power = np.array([[50.0, 1.0, 1.0, 1.0, 1.0, 0.001]])
    shares = tone_shares(power, centres)
    np.testing.assert_allclose(shares, [[0.0, 0.25, 0.25, 0.25, 0.25, 0.0]])  # lows, 30 dB down
    for db, mean, most in (
        ([3.0] * 6, 0.0, 0.0),
        ([9.0, -3.0, -1.0, 1.0, 3.0, 40.0], 2.0, 3.0),
        ([0.0, 0.0, 0.0, 0.0, 8.0, 0.0], 3.0, 6.0),
    ):
        found = tone_change_db(power * 10 ** (np.array(db) / 10), power, shares)
        assert found[0][0] == pytest.approx(mean)
        assert found[1][0] == pytest.approx(most)
    silent = np.zeros((1, 6))
    assert tone_shares(silent, centres).sum() == 0.0
    assert [x[0] for x in tone_change_db(silent, silent, tone_shares(silent, centres))] == [0, 0]


@pytest.mark.parametrize("gain", [1e-6, 1.0, 40.0])
def test_tone_is_judged_by_the_bands_within_20_db(gain: float) -> None:
    """A band 19 dB under the strongest counts by its energy, one 21 dB under it not."""
    energy = 10.0 ** (-np.array([0.0, 19.0, 21.0]) / 10.0)
    shares = tone_shares(gain * energy[None], np.array([300.0, 1200.0, 4800.0]))
    np.testing.assert_allclose(shares[0], [*energy[:2] / energy[:2].sum(), 0.0], rtol=1e-12)


def test_place_only_leaves_no_change_of_spectrum() -> None:
    """Every band has the energy of the reference; side and early against late stay as they are."""
    rng = np.random.default_rng(3)
    early, late, templates = (
        rng.uniform(0.1, 1.0, shape) for shape in ((5, 4, 6, 2), (5, 4, 6, 2), (6, 2, 9))
    )
    of_templates = templates.mean(-1)
    level = band_energy(early[:1], late[:1], of_templates)[0]
    by_hand = np.einsum("ckb,bkf->bf", (early + late)[0, :2].swapaxes(1, 2), templates).mean(-1)
    np.testing.assert_allclose(level, by_hand, rtol=1e-12)
    level[4] = 0.0
    near, far = place_only(early, late, of_templates, level)
    found = band_energy(near, far, of_templates)
    np.testing.assert_allclose(found, np.tile(level, (5, 1)), rtol=1e-12)
    assert not near[:, :, 4].any()
    kept = [0, 1, 2, 3, 5]
    ratio = near[:, :, kept] / far[:, :, kept]
    np.testing.assert_allclose(ratio, (early / late)[:, :, kept], rtol=1e-12)
    np.testing.assert_allclose(near[0][:, kept], early[0][:, kept], rtol=1e-12)


def test_place_only_of_frames_is_that_of_templates() -> None:
    """Measured frames are scaled as the coefficients that they are made of."""
    rng = np.random.default_rng(4)
    early, late, templates = (
        rng.uniform(0.1, 1.0, shape) for shape in ((3, 4, 6, 2), (3, 4, 6, 2), (3, 6, 2, 9))
    )
    weight, level = rng.dirichlet(np.ones(9)), rng.uniform(1.0, 2.0, (3, 6))
    frames = [np.einsum("tcbk,tbkf->tcbf", part, templates) for part in (early, late)]
    scaled = place_only(early, late, templates @ weight, level)
    found = place_only(*frames, weight, level)
    for part, one in zip(scaled, found, strict=True):
        np.testing.assert_allclose(np.einsum("tcbk,tbkf->tcbf", part, templates), one, rtol=1e-12)
    np.testing.assert_allclose(band_energy(*found, weight), level, rtol=1e-12)
    silent = place_only(0.0 * frames[0], 0.0 * frames[1], weight, level)
    assert not silent[0].any()


def test_three_decibels_lost_in_the_fold_down_cost_one() -> None:
    """A layer turned against itself in one channel loses in mono, and pays a third of it a dB."""
    totals, seats = SCENE.reference, np.zeros(len(SCENE.names))
    turned = [np.array(part) for part in (totals.early, totals.late)]
    for part in turned:
        part[1, 2] = -0.3 * np.abs(part[1, 2])
    found = measure(replace(totals, early=turned[0], late=turned[1]), seats, standard(SCENE))
    lost = found.figures["mono_loss_db"]
    assert lost[1] > 0.5
    np.testing.assert_allclose(found.costs["mono"], lost / 3.0, rtol=1e-12)
    np.testing.assert_allclose(np.delete(lost, 1), 0.0, atol=1e-12)


def test_k_weighting_is_that_of_the_standard() -> None:
    """BS.1770 gain: +0.69 dB at 997 Hz, +4 dB far above, steep below 60 Hz."""
    gain = 10 * np.log10(k_weighting_response(np.array([20.0, 60.0, 997.0, 12000.0])))
    assert gain[2] == pytest.approx(0.691, abs=0.01)
    assert gain[3] == pytest.approx(4.0, abs=0.1)
    assert gain[0] < -12.0
    assert -5.0 < gain[1] < -1.0


def test_loudness_that_is_missing_costs() -> None:
    """3 LU short of the target at the ceiling cost 1; a reference with room to spare none."""
    assert loudness(3.0) == pytest.approx(1.0)
    assert loudness(-2.0) == 0.0
    assert missing_lu((-23.0, -6.0, -15.0)) == pytest.approx(2.0)  # 17 LU under its peak
    assert missing_lu((-14.0, -1.0, -15.0)) == pytest.approx(-2.0)


def test_lows_may_move_half_a_decibel() -> None:
    """Nothing up to .5 dB, 1 at 1.5 dB in every third, either way; silent thirds do not count."""
    reference = np.array([0.0, 1e-6, *[1.0] * 9])
    weight = significance(reference)
    assert weight[0] == weight[1] == 0.0
    for change_db, cost in ((0.0, 0.0), (0.5, 0.0), (1.5, 1.0), (-1.5, 1.0), (2.5, 4.0)):
        change = low_change_db(reference * 10 ** (change_db / 10), reference)
        assert low_weight(change, weight) == pytest.approx(cost, abs=1e-6)
    assert low_weight(low_change_db(np.ones(11), np.zeros(11)), significance(np.zeros(11))) == 0.0


@pytest.mark.parametrize("gain", [1e-6, 1.0, 40.0])
def test_significance_falls_to_nothing_at_20_db(gain: float) -> None:
    """The strongest third counts whole, one 10 dB below it half, one 20 dB below it not.

    How loud the whole mix is changes nothing.
    """
    reference = gain * 10.0 ** (-np.array([0.0, 10.0, 20.0, 30.0, *[40.0] * 7]) / 10.0)
    np.testing.assert_allclose(significance(reference)[:4], [1.0, 0.5, 0.0, 0.0], atol=1e-12)


def test_leaning_costs_beyond_the_reference() -> None:
    """3 dB to either side costs a half, of the whole and of the lows; less than before: 0."""
    leans = lean_db(np.array([1.0, 2.0, 0.0]), np.array([2.0, 1.0, 0.0]))
    assert leans == pytest.approx([3.01, -3.01, 0.0], abs=0.01)
    assert balance(3.0, 0.0, reference=(0.0, 0.0)) == pytest.approx(0.5)
    assert balance(0.0, -3.0, reference=(0.0, 0.0)) == pytest.approx(0.5)
    assert balance(2.0, -1.0, reference=(-4.0, 1.0)) == 0.0


@pytest.mark.parametrize(
    ("pair", "gain_db"),
    [((0.5, 0.5, 0.5, 0.0), 3.01), ((0.5, 0.5, 0.0, 0.0), 0.0), ((1.0, 0.0, 0.0, 0.0), 0.0),
     ((0.0, 1.0, 0.0, 0.0), 0.0), ((0.8, 0.2, 0.4, 0.0), 2.55),
     ((0.5, 0.5, 0.0, 0.5), 0.0), ((0.5, 0.5, -0.5, 0.0), -40.0)],
)  # fmt: skip
def test_fold_down(pair: tuple[float, ...], gain_db: float) -> None:
    """Centred +3.01 dB, decorrelated, one-sided or in quadrature 0, antiphase all gone."""
    assert float(mono_gain_db(np.array(pair))) == pytest.approx(gain_db, abs=0.01)


def test_only_what_cancels_beyond_the_reference_is_lost() -> None:
    """A track may be panned or widened free; cancelling costs, less what cancelled before."""
    gains, before = np.array([3.0, 0.0, -2.0, -6.0]), np.array([3.0, 3.0, -2.0, -1.0])
    np.testing.assert_allclose(track_loss_db(gains, before), [0.0, 0.0, 0.0, 5.0])
    assert fold_loss_db(0.0, 2.0) == pytest.approx(1.5)
    assert fold_loss_db(3.0, 2.0) == 0.0
    assert mono(1.0, 3.0, 3.0) == pytest.approx(1.0)


def test_seating_is_squared_metres() -> None:
    """4 m from the usual seat costs 1, 8 m 4."""
    for distance, cost in ((0.0, 0.0), (2.0, 0.25), (4.0, 1.0), (8.0, 4.0)):
        found = MUSIC.cost([replace(spot, seating=distance) for spot in START])
        np.testing.assert_allclose(found.per_track["seating"], cost)


def test_figures_of_the_whole_are_sums() -> None:
    """Left, right, lows and fold-down of a mix come from the sum of its tracks' rows."""
    early = np.zeros((2, 4, 39))
    early[0, 0], early[1, 1] = 1.0, 1.0
    thirds = np.zeros((2, 4, 11))
    thirds[0, 0], thirds[1, 1] = 1.0, 3.0
    late = 0.1 * early
    totals = Totals(early, late, early, thirds)
    elsewhere = np.array([[1.0, 1.0], [2.0, 1.0]])
    found = whole(
        rows(totals, np.array([0.5, -0.2]), np.linspace(50.0, 15000.0, 39), elsewhere).sum(0)
    )
    assert found.drr_change_db == pytest.approx(0.3)
    assert found.lean_db == pytest.approx(0.0, abs=1e-9)
    assert found.low_lean_db == pytest.approx(4.77, abs=0.01)
    assert found.file_lean_db == pytest.approx(3.01, abs=0.01)  # the right one plays twice as much
    assert found.file_low_lean_db == pytest.approx(4.77, abs=0.01)
    assert found.late[0] == pytest.approx(7.8, rel=1e-9)
    np.testing.assert_allclose(found.late[1:], [0.2 * 3, 0.2 * 11])
    assert found.mono_gain_db == pytest.approx(0.0, abs=1e-3)
    np.testing.assert_allclose(found.thirds, 4.0)


@pytest.mark.parametrize(("cross", "gain_db"), [(1.0, 3.01), (0.0, 0.0), (-1.0, -40.0)])
def test_fold_down_of_the_whole(cross: float, gain_db: float) -> None:
    """Two equal channels gain 3.01 dB on their energies, in antiphase nothing is left."""
    early, thirds = np.zeros((1, 4, 39)), np.zeros((1, 4, 11))
    for part in (early, thirds):
        part[:, :2], part[:, 2] = 1.0, cross
    totals = Totals(early, 0.0 * early, early, thirds)
    found = whole(rows(totals, np.zeros(1), np.linspace(50.0, 15000.0, 39), np.ones(2))[0])
    assert found.mono_gain_db == pytest.approx(gain_db, abs=0.01)
    assert found.low_mono_gain_db == pytest.approx(gain_db, abs=0.01)


LAYERS = synthetic.dense(5)
START = [Spot() for _ in LAYERS]
MUSIC = Music(LAYERS, START, frames=30)
SCENE = MUSIC.scene


@pytest.mark.parametrize(
    ("limit", "change", "excess"),
    [
        ("trim", {"gain_db": 3.0}, 3.0 - LOUDNESS_SLACK_DB),
        ("trim", {"gain_db": -4.0}, 4.0 - LOUDNESS_SLACK_DB),
        ("mono", {"turn": np.pi, "clarity_db": 60.0}, 37.0),
        ("drier", {"clarity_db": 15.0}, 10 * np.log10((1 + 10**1.5) / (1 + 10**0.3)) - 6.0),
        ("drier", {"clarity_db": -15.0}, 0.0),
    ],
)
def test_limits_of_a_track(limit: str, change: dict[str, float], excess: float) -> None:
    """One track's breach is counted in dB beyond its limit."""
    spots = synthetic.with_spot(START, 2, **change)
    found = MUSIC.cost(spots).violations[limit]
    assert found == pytest.approx(excess, abs=0.1)


def test_lows_of_a_layer() -> None:
    """Thirds matter from a twentieth of a layer's energy, in full from a tenth."""
    early = np.zeros((2, 4, 39))
    early[:, :2, 5:7] = 0.25  # 1 in all
    thirds = np.zeros((2, 4, 11))
    thirds[:, 0, 4], thirds[:, 1, 5], thirds[:, 0, 6] = 0.5, 0.06, 0.049
    matters = layer_matters(thirds, early, 0.0 * early)
    np.testing.assert_allclose(matters[:, 4:7], [[1.0, 0.2, 0.0]] * 2)
    assert not np.delete(matters, (4, 5), axis=1).any()
    now = thirds * np.array([10**-0.5, 10**0.2])[:, None, None]
    change = layer_change_db(now, thirds)
    np.testing.assert_allclose(change[:, 4:7], [[-5.0] * 3, [2.0] * 3])
    assert not np.delete(change, (4, 5, 6), axis=1).any()


@pytest.mark.parametrize(("db", "excess"), [(-5.0, 2.0), (2.9, 0.0), (4.0, 1.0)])
def test_limit_of_a_layers_lows(db: float, excess: float) -> None:
    """What a third of one layer gains or loses beyond 3 dB counts, in every third that matters."""
    sound = MUSIC.sounding(START)
    track, thirds = int(standard(SCENE).matters.sum(1).argmax()), sound.totals.thirds.copy()
    thirds[track] *= 10 ** (db / 10)
    changed = replace(sound, totals=replace(sound.totals, thirds=thirds))
    count = standard(SCENE).matters[track].sum()
    assert count > 0.5
    found = evaluate(SCENE, changed, MUSIC.compared)
    assert found.violations["layer lows"] == pytest.approx(count * excess, abs=1e-6)
    assert found.figures["layer_low_db"][track] == pytest.approx(db)
    fixed = replace(SCENE, movable=np.arange(len(LAYERS)) != track)
    held = evaluate(fixed, changed, reference(fixed, sound))
    assert held.violations["layer lows"] == 0.0


def test_the_third_that_is_told_is_one_that_matters() -> None:
    """One that does not matter may change more without being told."""
    sound, matters = MUSIC.sounding(START), standard(SCENE).matters
    track = int(np.argmax((matters > 0.5).any(1) & (matters == 0.0).any(1)))
    which = int(matters[track].argmax()), int(matters[track].argmin())
    assert matters[track, which[0]] > 0.5
    assert matters[track, which[1]] == 0.0
    thirds = sound.totals.thirds.copy()
    for third, db in zip(which, (2.0, 9.0), strict=True):
        thirds[track, :, third] *= 10 ** (db / 10)
    changed = replace(sound, totals=replace(sound.totals, thirds=thirds))
    found = evaluate(SCENE, changed, MUSIC.compared)
    assert found.figures["layer_low_db"][track] == pytest.approx(2.0)


def test_a_layer_without_lows_has_none_to_change() -> None:
    """What little a high layer has of them may change: no figure tells of it, no limit holds it."""
    sound = MUSIC.sounding(START)
    high = standard(SCENE).matters.sum(1) == 0.0
    assert high.any()
    thirds = np.where(high[:, None, None], 10.0, 1.0) * (sound.totals.thirds + 1e-9)
    changed = replace(sound, totals=replace(sound.totals, thirds=thirds))
    found = evaluate(SCENE, changed, MUSIC.compared)
    assert np.abs(found.figures["layer_low_db"]).max() < 0.1
    assert found.violations["layer lows"] == 0.0


@pytest.mark.parametrize(("now", "then", "excess"), [(-20, 3, 5), (14.9, 0, 0), (18, 17, 1)])
def test_limit_of_a_layers_side(now: float, then: float, excess: float) -> None:
    """Left against right counts beyond 15 dB, or beyond what it was where that is more."""
    sides = (np.array([now]), np.array([then]))
    assert side_violation(*sides, Limits().side_db) == pytest.approx([excess])
    room = {-20: 17.0, 14.9: 0.0, 18: 0.0}[now]
    found = side_violation(sides[0] - 6.0, sides[1], Limits().room_side_db)
    assert found == pytest.approx([room])


def test_what_many_tracks_miss_by_little_is_still_held() -> None:
    """The cost sums what all layers miss; whether limits hold is asked of each alone."""
    sound = MUSIC.sounding(START)
    thirds = sound.totals.thirds * 10**0.303
    changed = replace(sound, totals=replace(sound.totals, thirds=thirds))
    found = evaluate(SCENE, changed, MUSIC.compared)
    counts = standard(SCENE).matters.sum(1)
    assert found.violations["layer lows"] == pytest.approx(0.03 * counts.sum(), abs=1e-6)
    assert found.worst["layer lows"] == pytest.approx(0.03 * counts.max(), abs=1e-6)
    loose = Limits(late_db=99.0, low_db=99.0, balance_db=99.0, trim_db=99.0)
    scene = replace(SCENE, limits=loose)
    compared = reference(scene, sound)
    for worst, held in ((0.04, True), (0.06, False)):
        late = sound.totals.late / 10 ** ((6.0 + worst) / 10)
        changed = replace(sound, totals=replace(sound.totals, late=late))
        drier = evaluate(scene, changed, compared)
        assert drier.violations["drier"] == pytest.approx(len(LAYERS) * worst, abs=1e-6)
        assert drier.feasible == held


def test_limits_of_the_whole() -> None:
    """Late energy, balance and lows of the whole are held to dB, either way."""
    wet = MUSIC.cost([replace(s, clarity_db=-3.0) for s in START])
    assert wet.violations["late"] == pytest.approx(10 * np.log10(0.666 / 0.334) - 1.0, abs=0.02)
    leaning = MUSIC.cost([replace(s, pan=0.5) for s in START])
    assert leaning.violations["balance"] == pytest.approx(leaning.figures["lean_db"] - 1.5)
    weak = MUSIC.cost([replace(s, gain_db=-2.0) for s in START])
    counted = weak.violations["low"] / 0.5
    assert counted == pytest.approx(round(counted), abs=1e-6)
    assert counted >= 1.0


def test_seating_weighs_as_the_composer_says() -> None:
    """Moving away costs in proportion to the weight of seating and not at all at weight 0."""
    moved = [replace(s, seating=4.0) for s in START]
    for weight in (0.0, 0.1, 1.0):
        music = Music(LAYERS, START, frames=30, weights=Weights(seating=weight))
        assert music.cost(moved).total - music.cost(START).total == pytest.approx(weight, abs=1e-9)


@pytest.mark.parametrize("track", range(5))
def test_limit_of_a_layers_share_of_the_room(track: int) -> None:
    """At most 1.5 times its share of all late energy, plus 3 points, in dB beyond that."""
    late = np.array([0.1, 0.2, 0.3, 0.4, 0.0])
    allowed = 1.5 * late + 0.03
    for excess_db in (-0.1, 0.0, 2.5):
        now = late.copy()
        now[track] = allowed[track] * 10 ** (excess_db / 10)
        found = share_violation(now, late, 1.0, Limits())
        assert found[track] == pytest.approx(max(excess_db, 0.0), abs=1e-9)
        assert np.delete(found, track).max() == 0.0
    spots = synthetic.with_spot(START, track, clarity_db=-20.0)
    cost = MUSIC.cost(spots)
    share = SCENE.reference.late[:, :2].sum((1, 2))
    share /= share.sum()
    late_now = share[track] * 0.99 * (1.0 + 10**0.3)
    most = 1.5 * share[track] + 0.03
    beyond = max(10 * np.log10(late_now / most), 0.0)
    assert cost.violations["room share"] == pytest.approx(beyond, abs=0.01)


def test_limits_of_tone() -> None:
    """A layer that a placement makes brighter by a slope breaks the mean, then the most."""
    track = int((standard(SCENE).tone > 0.0).sum(1).argmax())

    def tilted(slope: float) -> Cost:
        def tilt(part: np.ndarray, hertz: np.ndarray) -> None:
            part[track] *= np.where(hertz > 250.0, (hertz / 1000.0) ** slope, 1.0)

        return MUSIC.cost(START, synthetic.gains(START).changed(tilt))

    for slope in (0.0, 0.3, 1.5):
        cost = tilted(slope)
        mean, most = (cost.figures[name][track] for name in ("tone_mean_db", "tone_most_db"))
        assert cost.violations["tone mean"] == pytest.approx(max(mean - 2.0, 0.0))
        assert cost.violations["tone most"] == pytest.approx(max(most - 6.0, 0.0))
        assert (slope > 1.0) == (mean > 2.0)


def test_who_comes_near_is_paid_for_by_who_goes_back() -> None:
    """The mean change of direct against the rest is held where a limit of contrast is set."""
    music = Music(LAYERS, START, frames=30, limits=Limits(contrast_db=2.0))
    nearer = music.cost([replace(s, clarity_db=9.0) for s in START])
    change = nearer.figures["drr_change_db"]
    assert nearer.violations["contrast"] == pytest.approx(change.mean() - 2.0)
    assert MUSIC.cost([replace(s, clarity_db=9.0) for s in START]).violations["contrast"] == 0.0
    apart = [replace(s, clarity_db=8.0 if i % 2 else -2.0) for i, s in enumerate(START[:4])]
    assert music.cost([*apart, START[4]]).violations["contrast"] == 0.0


def test_the_room_is_held_where_it_is_heard() -> None:
    """Lows that carry nearly all late energy cannot hide that mids or highs have been dried."""
    late = np.zeros((2, 4, SCENE.centres.size))
    late[0, :2, SCENE.centres < 300.0] = 100.0
    late[1, :2, SCENE.centres > 355.0] = 1.0
    thirds, none = np.ones((2, 4, 11)), np.zeros_like(late)
    then = whole(
        rows(Totals(none, late, none, thirds), np.zeros(2), SCENE.centres, np.ones(2)).sum(0)
    )
    dried = late.copy()
    dried[1] *= 10 ** (-3.0 / 10.0)
    now = whole(
        rows(Totals(none, dried, none, thirds), np.zeros(2), SCENE.centres, np.ones(2)).sum(0)
    )
    change = late_change_db(now, then)
    assert abs(change[0]) < 0.1
    np.testing.assert_allclose(change[1:], -3.0, atol=0.4)
    missed = whole_violations(
        now, then, np.zeros(11), low_significance=np.ones(11), limits=Limits(late_db=1.0)
    )
    assert missed["late"] == pytest.approx(-change[1:].min() - 1.0, abs=1e-9)
    # a range without room in the reference has none to hold
    only = Totals(none[:1], late[:1], none[:1], thirds[:1])
    empty = whole(rows(only, np.zeros(1), SCENE.centres, np.ones(2)).sum(0))
    np.testing.assert_allclose(late_change_db(empty, empty), 0.0, atol=1e-9)
