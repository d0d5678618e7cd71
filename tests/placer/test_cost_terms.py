"""Each term of the cost at known points: zero at its target, growing both ways, units as named."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placer.cost.balance import balance, lean_db
from placer.cost.definition import FORGIVEN_DB, definition
from placer.cost.limits import LOUDNESS_SLACK_DB, side_violations, whole_violations
from placer.cost.loudness import band_loss_db, k_weighting, loudness, sum_loss_db
from placer.cost.low_weight import (
    layer_change_db,
    layer_matters,
    low_change_db,
    low_weight,
    significance,
)
from placer.cost.mono import mono, track_loss_db, whole_loss_db
from placer.cost.objective import evaluate
from placer.cost.overlap import likeness, overlap, shared
from placer.cost.place import lateral_deg, mono_gain_db, place
from placer.cost.scene import Limits
from placer.cost.seating import seating
from placer.cost.tracks import standard
from placer.cost.whole import late_change_db, rows, whole
from tests.placer import synthetic
from tests.placer.synthetic import Spot


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
    near, far = np.zeros((2, 1, 4, 1))
    near[0, :2], far[0, :2] = (direct + reflected - late) / 2, late / 2
    found = place(near, far, np.ones((1, 1)))
    assert found.early_late_db[0] == pytest.approx(clarity, abs=0.02)


def test_definition_asks_only_those_who_articulate() -> None:
    """Clear is free, all late costs the articulation, a pad never pays; more late costs more."""
    late = 10.0 ** (-np.array([FORGIVEN_DB + 1.0, FORGIVEN_DB, 0.0, -10.0]) / 10.0)
    cost = definition(np.ones(4), late, np.ones(4))
    assert cost[0] == cost[1] == pytest.approx(0.0, abs=1e-12)
    assert 0.0 < cost[2] < cost[3] < 1.0
    np.testing.assert_array_equal(definition(np.ones(4), late, np.zeros(4)), 0.0)
    assert float(definition(np.array(0.0), np.array(1.0), np.array(0.7))) == pytest.approx(0.7)


def test_a_step_to_the_side_or_in_depth_ends_overlap() -> None:
    """Alike at the same place; not at 15 degrees aside nor at 3 dB of depth."""
    zero = np.array(0.0)
    assert float(likeness(zero, zero)) == 1.0
    for side, depth in ((15.0, 0.0), (-20.0, 0.0), (0.0, 3.0), (0.0, -9.0)):
        assert float(likeness(np.array(side), np.array(depth))) == 0.0
    assert 0.0 < float(likeness(np.array(5.0), np.array(1.0))) < 1.0


def test_overlap_counts_what_is_shared() -> None:
    """Two layers alike in all: one half. Other bands, or doubles of one group: nothing."""
    cells = np.zeros((3, 2, 2))
    cells[0, 0], cells[1, 0], cells[2, 1] = 0.5, 0.5, 0.5
    none = np.full(3, -1)
    common = shared(cells, none)
    np.testing.assert_allclose(common, [[0, 1, 0], [1, 0, 0], [0, 0, 0]])
    assert shared(cells, np.array([4, 4, -1])).sum() == 0.0
    for late in (0.1, 1.0, 10.0):  # wherever they are together, they are as much in the way
        where = place(np.ones((3, 4, 1)), np.full((3, 4, 1), late), np.ones((3, 1)))
        np.testing.assert_allclose(overlap(where, common), [0.5, 0.5, 0.0])


def test_k_weighting_is_that_of_the_standard() -> None:
    """BS.1770 gain: +0.69 dB at 997 Hz, +4 dB far above, steep below 60 Hz."""
    gain = 10 * np.log10(k_weighting(np.array([20.0, 60.0, 997.0, 12000.0])))
    assert gain[2] == pytest.approx(0.691, abs=0.01)
    assert gain[3] == pytest.approx(4.0, abs=0.1)
    assert gain[0] < -12.0
    assert -5.0 < gain[1] < -1.0


def test_what_cancels_is_lost() -> None:
    """Layers in antiphase lose all, in quadrature nothing; 3 LU short of the target costs 1."""
    energy, none = np.ones(3), np.zeros(3)
    for kept, lost_db in ((1.0, 0.0), (2.0, 0.0), (0.1, 9.5), (0.0, 59.5)):
        loss = band_loss_db(energy, kept * energy)
        assert sum_loss_db(loss, energy, none) == pytest.approx(lost_db)
        assert sum_loss_db(loss, energy, loss) == 0.0  # the reference lost as much
    assert sum_loss_db(band_loss_db(none, energy), none, none) == 0.0
    assert loudness(3.0, 0.0) == pytest.approx(1.0)
    assert loudness(-2.0, 0.0) == 0.0
    assert loudness(1.0, 2.0) == pytest.approx(1.0)


def test_lows_may_move_half_a_decibel() -> None:
    """Nothing up to .5 dB, 1 at 1.5 dB in every third, either way; silent thirds do not count."""
    reference = np.array([0.0, 1e-6, *[1.0] * 9])
    weight = significance(reference)
    assert weight[0] == weight[1] == 0.0
    for change_db, cost in ((0.0, 0.0), (0.5, 0.0), (1.5, 1.0), (-1.5, 1.0), (2.5, 4.0)):
        change = low_change_db(reference * 10 ** (change_db / 10), reference)
        assert low_weight(change, weight) == pytest.approx(cost, abs=1e-6)
    assert low_weight(low_change_db(np.ones(11), np.zeros(11)), significance(np.zeros(11))) == 0.0


def test_significance_falls_to_nothing_at_20_db() -> None:
    """The strongest third counts whole, one 10 dB below it half, one 20 dB below it not."""
    reference = 10.0 ** (-np.array([0.0, 10.0, 20.0, 30.0, *[40.0] * 7]) / 10.0)
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
     ((0.5, 0.5, 0.0, 0.5), 0.0), ((0.5, 0.5, -0.5, 0.0), -40.0)],
)  # fmt: skip
def test_fold_down(pair: tuple[float, ...], gain_db: float) -> None:
    """Centred +3.01 dB, decorrelated, one-sided or in quadrature 0, antiphase all gone."""
    assert float(mono_gain_db(np.array(pair))) == pytest.approx(gain_db, abs=0.01)


def test_only_what_cancels_beyond_the_reference_is_lost() -> None:
    """A track may be panned or widened free; cancelling costs, less what cancelled before."""
    gains, before = np.array([3.0, 0.0, -2.0, -6.0]), np.array([3.0, 3.0, -2.0, -1.0])
    np.testing.assert_allclose(track_loss_db(gains, before), [0.0, 0.0, 0.0, 5.0])
    assert whole_loss_db(0.0, 2.0) == pytest.approx(1.5)
    assert whole_loss_db(3.0, 2.0) == 0.0
    assert mono(1.0, 3.0, 3.0) == pytest.approx(1.0)


def test_seating_is_squared_metres() -> None:
    """4 m from the usual seat costs 1, 8 m 4."""
    np.testing.assert_allclose(seating(np.array([0.0, 4.0, -4.0, 8.0])), [0.0, 1.0, 1.0, 4.0])


def test_figures_of_the_whole_are_sums() -> None:
    """Left, right, lows and fold-down of a mix come from the sum of its tracks' rows."""
    early = np.zeros((2, 4, 39))
    early[0, 0], early[1, 1] = 1.0, 1.0
    thirds = np.zeros((2, 4, 11))
    thirds[0, 0], thirds[1, 1] = 1.0, 3.0
    late = 0.1 * early
    found = whole(rows(early, late, thirds, np.linspace(50.0, 15000.0, 39)).sum(0))
    assert found.lean_db == pytest.approx(0.0, abs=1e-9)
    assert found.low_lean_db == pytest.approx(4.77, abs=0.01)
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
    found = whole(rows(early, 0.0 * early, thirds, np.linspace(50.0, 15000.0, 39))[0])
    assert found.mono_gain_db == pytest.approx(gain_db, abs=0.01)
    assert found.low_mono_gain_db == pytest.approx(gain_db, abs=0.01)


LAYERS = synthetic.dense(5)
ENVELOPES = synthetic.envelopes(LAYERS, 30)
START = [Spot() for _ in LAYERS]
SCENE = synthetic.scene(LAYERS, ENVELOPES, START)


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
    found = evaluate(SCENE, synthetic.sounding(ENVELOPES, spots)).violations[limit]
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
    sound = synthetic.sounding(ENVELOPES, START)
    track, thirds = int(standard(SCENE).matters.sum(1).argmax()), sound.totals.thirds.copy()
    thirds[track] *= 10 ** (db / 10)
    changed = replace(sound, totals=replace(sound.totals, thirds=thirds))
    count = standard(SCENE).matters[track].sum()
    assert count > 0.5
    found = evaluate(SCENE, changed)
    assert found.violations["layer lows"] == pytest.approx(count * excess, abs=1e-6)
    assert found.figures["layer_low_db"][track] == pytest.approx(db)
    fixed = replace(SCENE, movable=np.arange(len(LAYERS)) != track)
    assert evaluate(fixed, changed).violations["layer lows"] == 0.0


@pytest.mark.parametrize(("now", "then", "excess"), [(-20, 3, 5), (14.9, 0, 0), (18, 17, 1)])
def test_limit_of_a_layers_side(now: float, then: float, excess: float) -> None:
    """Left against right counts beyond 15 dB, or beyond what it was where that is more."""
    sides = (np.array([now]), np.array([then]))
    found = side_violations(sides, (sides[0] - 6.0, sides[1]), Limits())
    assert found["side"] == pytest.approx([excess])
    room = {-20: 17.0, 14.9: 0.0, 18: 0.0}[now]
    assert found["room side"] == pytest.approx([room])


def test_what_many_tracks_miss_by_little_is_still_held() -> None:
    """The cost sums what all layers miss; whether limits hold is asked of each alone."""
    sound = synthetic.sounding(ENVELOPES, START)
    thirds = sound.totals.thirds * 10**0.303
    found = evaluate(SCENE, replace(sound, totals=replace(sound.totals, thirds=thirds)))
    counts = standard(SCENE).matters.sum(1)
    assert found.violations["layer lows"] == pytest.approx(0.03 * counts.sum(), abs=1e-6)
    assert found.worst["layer lows"] == pytest.approx(0.03 * counts.max(), abs=1e-6)
    loose = Limits(late_db=99.0, low_db=99.0, balance_db=99.0, trim_db=99.0)
    scene = replace(SCENE, limits=loose)
    for worst, held in ((0.04, True), (0.06, False)):
        late = sound.totals.late / 10 ** ((6.0 + worst) / 10)
        drier = evaluate(scene, replace(sound, totals=replace(sound.totals, late=late)))
        assert drier.violations["drier"] == pytest.approx(len(LAYERS) * worst, abs=1e-6)
        assert drier.feasible == held


def test_limits_of_the_whole() -> None:
    """Late energy, balance and lows of the whole are held to dB, either way."""
    wet = evaluate(
        SCENE, synthetic.sounding(ENVELOPES, [replace(s, clarity_db=-3.0) for s in START])
    )
    assert wet.violations["late"] == pytest.approx(10 * np.log10(0.666 / 0.334) - 1.0, abs=0.02)
    leaning = evaluate(SCENE, synthetic.sounding(ENVELOPES, [replace(s, pan=0.5) for s in START]))
    assert leaning.violations["balance"] == pytest.approx(leaning.figures["lean_db"] - 1.5)
    weak = evaluate(SCENE, synthetic.sounding(ENVELOPES, [replace(s, gain_db=-2.0) for s in START]))
    counted = weak.violations["low"] / 0.5
    assert counted == pytest.approx(round(counted), abs=1e-6)
    assert counted >= 1.0


def test_seating_weighs_as_the_composer_says() -> None:
    """Moving away costs in proportion to the weight of seating and not at all at weight 0."""
    moved = synthetic.sounding(ENVELOPES, [replace(s, seating=4.0) for s in START])
    stay = synthetic.sounding(ENVELOPES, START)
    for weight in (0.0, 0.1, 1.0):
        scene = replace(SCENE, weights=replace(SCENE.weights, seating=weight))
        rise = evaluate(scene, moved).total - evaluate(scene, stay).total
        assert rise == pytest.approx(weight, abs=1e-9)


def test_the_room_is_held_where_it_is_heard() -> None:
    """Lows that carry nearly all late energy cannot hide that mids or highs have been dried."""
    late = np.zeros((2, 4, SCENE.centres.size))
    late[0, :2, SCENE.centres < 300.0] = 100.0
    late[1, :2, SCENE.centres > 355.0] = 1.0
    thirds, none = np.ones((2, 4, 11)), np.zeros_like(late)
    then = whole(rows(none, late, thirds, SCENE.centres).sum(0))
    dried = late.copy()
    dried[1] *= 10 ** (-3.0 / 10.0)
    now = whole(rows(none, dried, thirds, SCENE.centres).sum(0))
    change = late_change_db(now, then)
    assert abs(change[0]) < 0.1
    np.testing.assert_allclose(change[1:], -3.0, atol=0.4)
    missed = whole_violations(
        now, then, np.zeros(11), low_significance=np.ones(11), limits=Limits(late_db=1.0)
    )
    assert missed["late"] == pytest.approx(-change[1:].min() - 1.0, abs=1e-9)
    # a range without room in the reference has none to hold
    empty = whole(rows(none[:1], late[:1], thirds[:1], SCENE.centres).sum(0))
    np.testing.assert_allclose(late_change_db(empty, empty), 0.0, atol=1e-9)
