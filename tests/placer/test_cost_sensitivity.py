"""Sensitivity: what moves gained, and who still hides whom."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import spearmanr

from placer.cost.fast import Kernel
from placer.cost.landscape import CatalogueLandscape
from placer.cost.limits import PENALTY
from placer.cost.objective import evaluate
from placer.cost.sensitivity import (
    gains_by_sound,
    gains_of_moves,
    hiders,
    most_hidden,
    put_back,
    thinned,
)
from tests.placer import synthetic
from tests.placer.synthetic import Layer, Music, Spot

LAYERS = [
    Layer("bed", 60.0, 400.0, level_db=6.0),
    Layer("figure", 60.0, 400.0, rate=5.0, articulation=0.9),
    Layer("flute", 2000.0, 8000.0, articulation=0.6),
]
START = [Spot()] * 3
MUSIC = Music(LAYERS, START, frames=60)
SCENE = MUSIC.scene


def test_the_bed_hides_the_figure_and_not_the_flute() -> None:
    """The masker matrix names the layer that shares the register and is louder."""
    heard = MUSIC.cost(START).heard
    assert most_hidden(heard)[0] == 1
    first, share = hiders(heard, 1)[0]
    assert first == 0
    assert share > 0.5
    assert heard.hides[2, 0] < 0.05


def test_own_late_energy_shows_as_hiding_oneself() -> None:
    """A figure far in the room is named among those that hide it."""
    washed = synthetic.with_spot(START, 1, clarity_db=-8.0)
    heard = MUSIC.cost(washed).heard
    near = MUSIC.cost(START).heard
    assert 1 in dict(hiders(heard, 1))
    assert heard.hides[1, 1] > near.hides[1, 1]


def test_the_move_that_helped_is_named() -> None:
    """Putting back the one track that moved costs what its move gained; the others gain nothing."""
    aside = Spot(pan=0.8, clarity_db=6.0)
    catalogues = [MUSIC.catalogue(track, [Spot(), aside]) for track in range(3)]
    landscape = CatalogueLandscape(Kernel(SCENE, MUSIC.envelopes), catalogues)
    state, start = np.array([0, 1, 0]), np.zeros(3, int)
    gains = gains_of_moves(landscape.costs, state, start)
    assert gains[1] == pytest.approx(landscape.cost(start) - landscape.cost(state))
    assert gains[1] > 0.0
    assert gains[0] == gains[2] == 0.0


def test_putting_a_track_back_by_its_sound_is_the_same() -> None:
    """Swapping one track's sound equals evaluating the mix with that track at its start."""
    moved = synthetic.random_spots(3, seed=2)
    swapped = put_back(MUSIC.sounding(moved), MUSIC.sounding(START), 1)
    direct = MUSIC.cost([moved[0], START[1], moved[2]])
    found = evaluate(SCENE, swapped, MUSIC.compared)
    assert found.total == pytest.approx(direct.total, rel=1e-12)


def test_gains_by_sound_are_those_of_the_landscape() -> None:
    """Both ways of putting a track back agree, but for limits; the greatest gain comes first."""
    moved = [Spot(pan=-0.5, clarity_db=2.0), Spot(pan=0.8, clarity_db=6.0), Spot()]
    now, start = (MUSIC.sounding(spots) for spots in (moved, START))
    found = gains_by_sound(SCENE, now, start, (0, 1, 2))
    assert [gain.cost for gain in found] == sorted((g.cost for g in found), reverse=True)
    whole = MUSIC.cost(moved)
    for gain in found:
        spots = [START[i] if i == gain.track else moved[i] for i in range(3)]
        without = MUSIC.cost(spots)
        limits = sum(without.violations.values()) - sum(whole.violations.values())
        assert gain.cost == pytest.approx(without.total - whole.total - PENALTY * limits, abs=1e-9)
        assert gain.shares == pytest.approx(whole.heard.share - without.heard.share)
    stayed = next(gain for gain in found if gain.track == 2)
    assert stayed.cost == pytest.approx(0.0, abs=1e-12)
    assert np.abs(stayed.shares).max() < 1e-12


def test_a_move_that_holds_a_limit_is_told() -> None:
    """Two layers that lean apart hold the balance; either one back at its start breaks it."""
    apart = [Spot(pan=-0.9), Spot(pan=0.99, gain_db=6.0), Spot()]
    now, start = (MUSIC.sounding(spots) for spots in (apart, START))
    assert "low balance" not in gains_by_sound(SCENE, start, start, (0,))[0].broken
    broken = {gain.track: gain.broken for gain in gains_by_sound(SCENE, now, start, (0, 1))}
    assert broken[0]["low balance"] > 0.05 or broken[1]["low balance"] > 0.05


def test_few_frames_tell_the_same_moves() -> None:
    """Thinned to a fifth of its frames a dense cue ranks its moves nearly as all frames do."""
    spots = [Spot()] * 12
    music = Music(synthetic.dense(12, seed=3), spots, frames=64 * 5)
    scene, start = music.scene, music.sounding(spots)
    now = music.sounding(synthetic.random_spots(12, seed=5))
    full = {gain.track: gain.cost for gain in gains_by_sound(scene, now, start, range(12))}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("placer.cost.sensitivity.MOST_CELLS", 12)
        few, (less,) = thinned(scene, (now,))
        assert less.early.shape[-1] == few.importance.shape[-1] == 64
        thin = {gain.track: gain.cost for gain in gains_by_sound(scene, now, start, range(12))}
    order = [list(costs[i] for i in range(12)) for costs in (full, thin)]
    assert spearmanr(*order).statistic > 0.9
    assert max(abs(full[i] - thin[i]) for i in range(12)) < 0.2 * max(map(abs, full.values()))
