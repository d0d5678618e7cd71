"""Sensitivity: what moves gained, and who still hides whom."""

from __future__ import annotations

import numpy as np
import pytest

from placer.cost.fast import Catalogue, Kernel
from placer.cost.landscape import CatalogueLandscape
from placer.cost.objective import evaluate
from placer.cost.sensitivity import gains_of_moves, hiders, most_hidden, put_back
from tests.placer import synthetic
from tests.placer.synthetic import Layer, Spot

LAYERS = [
    Layer("bed", 60.0, 400.0, level_db=6.0),
    Layer("figure", 60.0, 400.0, rate=5.0, articulation=0.9),
    Layer("flute", 2000.0, 8000.0, articulation=0.6),
]
ENVELOPES = synthetic.envelopes(LAYERS, 60)
START = [Spot()] * 3
SCENE = synthetic.scene(LAYERS, ENVELOPES, START)


def test_the_bed_hides_the_figure_and_not_the_flute() -> None:
    """The masker matrix names the layer that shares the register and is louder."""
    heard = evaluate(SCENE, synthetic.sounding(ENVELOPES, START)).heard
    assert most_hidden(heard)[0] == 1
    first, share = hiders(heard, 1)[0]
    assert first == 0
    assert share > 0.5
    assert heard.hides[2, 0] < 0.05


def test_own_late_energy_shows_as_hiding_oneself() -> None:
    """A figure far in the room is named among those that hide it."""
    washed = synthetic.with_spot(START, 1, clarity_db=-8.0)
    heard = evaluate(SCENE, synthetic.sounding(ENVELOPES, washed)).heard
    near = evaluate(SCENE, synthetic.sounding(ENVELOPES, START)).heard
    assert 1 in dict(hiders(heard, 1))
    assert heard.hides[1, 1] > near.hides[1, 1]


def test_the_move_that_helped_is_named() -> None:
    """Putting back the one track that moved costs what its move gained; the others gain nothing."""
    aside = Spot(pan=0.8, clarity_db=6.0)
    catalogues = [Catalogue(*synthetic.gains([Spot(), aside])) for _ in LAYERS]
    landscape = CatalogueLandscape(Kernel(SCENE, ENVELOPES), catalogues)
    state, start = np.array([0, 1, 0]), np.zeros(3, int)
    gains = gains_of_moves(landscape.costs, state, start)
    assert gains[1] == pytest.approx(landscape.cost(start) - landscape.cost(state))
    assert gains[1] > 0.0
    assert gains[0] == gains[2] == 0.0


def test_putting_a_track_back_by_its_sound_is_the_same() -> None:
    """Swapping one track's sound equals evaluating the mix with that track at its start."""
    moved = synthetic.random_spots(3, seed=2)
    swapped = put_back(
        synthetic.sounding(ENVELOPES, moved), synthetic.sounding(ENVELOPES, START), 1
    )
    direct = synthetic.sounding(ENVELOPES, [moved[0], START[1], moved[2]])
    assert evaluate(SCENE, swapped).total == pytest.approx(evaluate(SCENE, direct).total, rel=1e-12)
