"""The objective: what it promises about totals, the reference, limits and what it reports."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placer.cost.audibility import hidden_quarter
from placer.cost.limits import PENALTY
from placer.cost.objective import TERMS, evaluate
from placer.cost.scene import Limits, Scene
from placer.cue.records import Weights
from tests.placer import synthetic
from tests.placer.synthetic import Music, Spot

LAYERS = synthetic.dense(8)
START = [Spot() for _ in LAYERS]
MUSIC = Music(LAYERS, START)
SCENE = MUSIC.scene


def test_total_is_the_weighted_sum_of_terms_and_violations() -> None:
    """Nothing enters the total that the report does not show."""
    cost = MUSIC.cost(synthetic.random_spots(8, seed=3))
    weighted = sum(getattr(SCENE.weights, name) * cost.terms[name] for name in TERMS)
    assert cost.total == pytest.approx(
        weighted + PENALTY * sum(cost.violations.values()), rel=1e-12
    )


def test_reference_is_feasible_and_changes_nothing() -> None:
    """The reference breaks no limit and costs nothing where it is compared with itself."""
    cost = MUSIC.cost(START)
    assert cost.feasible
    assert cost.terms["low_weight"] == cost.terms["balance"] == cost.terms["mono"] == 0.0
    np.testing.assert_allclose(cost.figures["late_change_db"], 0.0, atol=1e-9)
    np.testing.assert_allclose(cost.figures["loudness_change_lu"], 0.0, atol=1e-9)


def test_what_hides_a_track_accounts_for_all_that_is_not_heard() -> None:
    """Audible share and the shares hidden by each other track make one whole."""
    heard = MUSIC.cost(synthetic.random_spots(8, seed=5)).heard
    np.testing.assert_allclose(heard.hides.sum(1) + 1.01 * heard.share, 1.0, atol=1e-6)
    assert heard.hides.min() >= 0.0


def test_figures_say_what_the_terms_are_made_of() -> None:
    """A track costs what is not heard of it; the whole's late energy is told against before."""
    drier = [replace(spot, clarity_db=6.0) for spot in START]
    cost = MUSIC.cost(drier)
    assert np.allclose(cost.per_track["audibility"] + cost.figures["audible_share"], 1.0)
    late = 10 * np.log10((1 + 10**0.3) / (1 + 10**0.6))  # of the same whole energy
    assert cost.figures["whole_late_change_db"] == pytest.approx(late, abs=0.01)


def test_level_of_the_whole_cue_does_not_matter() -> None:
    """Turning everything up by 40 dB, reference included, leaves the cost alone."""
    loud = [replace(spot, gain_db=40.0) for spot in START]
    moved = synthetic.random_spots(8, seed=6)
    turned = [replace(spot, gain_db=40.0) for spot in moved]
    assert Music(LAYERS, loud).cost(turned).total == pytest.approx(
        MUSIC.cost(moved).total, rel=1e-9
    )


def test_left_and_right_are_alike() -> None:
    """The mirror image of a mix costs the same."""
    spots = synthetic.random_spots(8, seed=7)
    mirrored = [replace(spot, pan=-spot.pan, turn=-spot.turn) for spot in spots]
    one, other = (MUSIC.cost(s) for s in (spots, mirrored))
    assert one.total == pytest.approx(other.total, rel=1e-9)


def test_violations_grow_with_the_breach_and_forbid() -> None:
    """A track 3 dB beyond its room floor pays 3 dB, and the candidate is not feasible."""
    dried = synthetic.with_spot(START, 0, clarity_db=3.0 + 12.0)
    cost = MUSIC.cost(dried)
    assert not cost.feasible
    late_change = cost.figures["late_change_db"][0]
    assert cost.violations["drier"] == pytest.approx(-late_change - 6.0, abs=1e-9)
    wide = Music(LAYERS, START, limits=Limits(drier_db=15.0))
    assert wide.cost(dried).violations["drier"] == 0.0


def test_fixed_tracks_cannot_violate() -> None:
    """What may not be moved is not held to the limits of single tracks."""
    dried = synthetic.with_spot(START, 0, clarity_db=20.0)
    fixed = Music([replace(LAYERS[0], movable=False), *LAYERS[1:]], START)
    assert fixed.cost(dried).violations["drier"] == 0.0


@pytest.mark.parametrize("name", TERMS)
def test_a_weight_of_zero_silences_its_term(name: str) -> None:
    """Each term can be switched off by its weight, and only that term goes."""
    spots = synthetic.random_spots(8, seed=8)
    whole = MUSIC.cost(spots)
    without = Music(LAYERS, START, weights=replace(Weights(), **{name: 0.0}))
    gone = getattr(SCENE.weights, name) * whole.terms[name]
    assert without.cost(spots).total == pytest.approx(whole.total - gone, rel=1e-9)


def test_loudness_follows_from_energies() -> None:
    """Energy against the reference says what is missed, with 1 LU to spare."""
    sound = MUSIC.sounding([replace(spot, gain_db=-3.0) for spot in START])
    found = evaluate(SCENE, sound, MUSIC.compared)
    assert found.terms["loudness"] == pytest.approx(2.0 / 3.0, abs=1e-6)
    assert MUSIC.cost(START).terms["loudness"] == 0.0


def test_the_background_may_lose_half_a_decibel_of_margin() -> None:
    """Beyond that it pays a cost of 1 a dB by its weight; the foreground does not."""
    layers = [replace(layer, weight=1.0 + i) for i, layer in enumerate(LAYERS)]
    layers[:3] = [replace(layer, foreground=False, articulation=0.9) for layer in layers[:3]]
    spots = synthetic.with_spot(START, 1, clarity_db=0.5)
    for limit in (0.5, 1.5, 99.0):
        music = Music(layers, START, limits=Limits(background_db=limit))
        found, before = music.cost(spots), music.cost(START)
        change = found.figures["margin_db"] - before.figures["margin_db"]
        share = found.figures["audible_share"]
        weight = music.scene.weight
        front = np.where(np.arange(8) > 2, weight, 0.0)
        part = hidden_quarter(share, front / front.sum())
        heard = 0.5 * (share * weight).sum() / weight.sum() + 0.5 * (share * part).sum()
        lost = np.maximum(-change[:3] - limit, 0.0) @ weight[:3] / weight[:3].sum()
        assert found.terms["audibility"] == pytest.approx(1.0 - heard + lost, rel=1e-9)
        assert (lost > 0.0) == (limit < 1.0), change


def test_where_nothing_is_foreground_all_is() -> None:
    """Without a foreground the most hidden quarter is that of all tracks, and none is behind."""
    none = Music([replace(layer, foreground=False) for layer in LAYERS], START)
    spots = synthetic.random_spots(8, seed=9)
    assert none.cost(spots).total == pytest.approx(MUSIC.cost(spots).total, rel=1e-12)
    np.testing.assert_array_equal(none.scene.background_share, 0.0)


def test_a_scene_says_what_is_wrong_with_it() -> None:
    """Wrong shapes, sums and NaN are errors that name the value."""
    with pytest.raises(ValueError, match=r"importance must sum to 1"):
        replace(SCENE, importance=2.0 * SCENE.importance)
    with pytest.raises(ValueError, match=r"listening must sum to 1, got \(0.5, 0.6\)"):
        replace(SCENE, listening=(0.5, 0.6))
    below = np.where(np.arange(len(SCENE.weight)) == 1, -0.1, SCENE.weight)
    with pytest.raises(ValueError, match=r"Scene.weight must be 0 or more"):
        replace(SCENE, weight=below)
    with pytest.raises(ValueError, match=r"Scene.weight must be 0 or more, some above 0"):
        replace(SCENE, weight=np.zeros(8))
    with pytest.raises(ValueError, match=r"Scene.weight has shape \(3,\), expected \(8,\)"):
        replace(SCENE, weight=np.ones(3))
    broken = np.array(SCENE.reference.early)
    broken[0, 0, 0] = np.nan
    with pytest.raises(ValueError, match="holds NaN or infinity"):
        replace(SCENE.reference, early=broken)


def test_records_do_not_freeze_the_callers_arrays() -> None:
    """A scene reads arrays without changing whether their owner may write to them."""
    own = np.ones(8)
    made: Scene = replace(SCENE, weight=own)
    own[0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        made.weight[0] = 2.0
