"""Attacks: what is new in a sound against what sounded just before."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placer.cost.attacks import (
    STEP_S,
    SUSTAINED,
    attack_factor,
    attack_share,
    forward_masking_db,
    remaining,
)
from placer.cost.audibility import audibility
from placer.cost.prepare import importance
from tests.placer.synthetic import Layer, Music, Spot


def test_forward_masking_follows_level_and_the_logarithm_of_delay() -> None:
    """Proportional to both (Jesteadt, Bacon & Lehman 1982, abstract), and gone by 200 ms."""
    level = np.array([30.0, 60.0, 90.0])
    found = forward_masking_db(level, np.array(0.02))
    np.testing.assert_allclose(found / level, found[0] / level[0], rtol=1e-12)
    delays = 0.01 * 2.0 ** np.arange(4)
    steps = np.diff(forward_masking_db(np.array(80.0), delays))
    np.testing.assert_allclose(steps, steps[0], rtol=1e-9)
    assert steps[0] < 0.0
    assert float(forward_masking_db(np.array(90.0), np.array(0.2))) == 0.0


def test_growth_of_masking_is_that_of_listeners() -> None:
    """Right after a masker thresholds grow by .56 dB a dB at 250 Hz and .38 at 4 kHz.

    Maskers of 50 and 90 dB, thresholds 44.88 and 67.11 dB, 36.56 and 51.56 dB: J. Acoust. Soc. Am.
    124 (2008), 2196, table 4 (read). The rule lies between at 10 ms, and always below 1 and falling
    with delay (Widin & Viemeister 1979, J. Acoust. Soc. Am. 66, 388, abstract read).
    """
    slopes = [
        float(np.diff(forward_masking_db(np.array([50.0, 90.0]), np.array(t)))[0]) / 40.0
        for t in (0.005, 0.01, 0.03, 0.1)
    ]
    assert (51.56 - 36.56) / 40.0 < slopes[1] < (67.11 - 44.88) / 40.0
    assert 1.0 > slopes[0] > slopes[1] > slopes[2] > slopes[3] > 0.0


def test_a_steady_sound_leaves_itself_and_a_click_fades() -> None:
    """A held tone leaves itself; a click falls by the rule, 7.9 dB each time the delay doubles."""
    np.testing.assert_array_equal(remaining(np.ones(30)), [0.0, *[1.0] * 29])
    click = np.zeros(40)
    click[3] = 1.0
    left = remaining(click)
    assert not left[:4].any()
    level = 10 * np.log10(left[[4, 5, 7, 11]])
    np.testing.assert_allclose(level, -7.925 * np.arange(4), atol=0.01)
    assert not left[3 + int(0.18 / STEP_S) :].any()


def share_of(energy: np.ndarray, others: np.ndarray | None = None) -> np.ndarray:
    """Attack in each of the frames of 40 ms of one band."""
    rest = np.zeros_like(energy) if others is None else others
    return attack_share(energy[None], rest[None], np.arange(len(energy)) // 4, len(energy) // 4)[0]


def test_notes_begin_and_beds_hold() -> None:
    """The first frame of a note is all attack, a held bed none; a louder note is new in part."""
    note = np.zeros(40)
    note[8:20] = 1.0
    found = share_of(note)
    assert found[2] == pytest.approx(0.25)  # one of four short frames is new
    assert found[[0, 1, 3, 4, 5, 9]].max() == 0.0
    louder = np.ones(40)
    louder[8:] = 4.0
    assert share_of(louder)[2] == pytest.approx(3.0 / 16.0)
    assert share_of(louder)[3:].max() == 0.0


@pytest.mark.parametrize("gap_ms", [10, 50, 100])
def test_what_others_sounded_before_hides_an_attack(gap_ms: int) -> None:
    """A masker that ends before a note hides its attack, less the longer ago it ended."""
    note, other = np.zeros(60), np.zeros(60)
    note[40:50] = 1.0
    other[10 : 41 - gap_ms // 10] = 10.0
    kept = 10 ** (-0.351 * 75.0 * np.log10(gap_ms / 10.0) / 10.0)
    assert share_of(note, other)[10] == pytest.approx(0.25 / (1.0 + 10.0 * kept), rel=1e-6)


def test_attacks_matter_to_roles_that_articulate() -> None:
    """A pad's importance stays; a drum's goes to where it strikes, a quarter of it elsewhere."""
    early = np.ones((2, 4, 1, 4))
    share = np.zeros((2, 1, 4))
    share[:, :, 1] = 1.0
    articulation = np.array([0.0, 1.0])
    factor = attack_factor(share, articulation)
    np.testing.assert_allclose(factor[:, 0], [[1.0] * 4, [SUSTAINED, 1.0, SUSTAINED, SUSTAINED]])
    pad, drum = importance(early, 0.0 * early, articulation, factor)
    np.testing.assert_allclose(pad, 0.25)
    np.testing.assert_allclose(drum[0] / drum[0, 1], factor[1, 0])
    assert drum.sum() == pytest.approx(1.0)


def test_smeared_attacks_of_a_background_layer() -> None:
    """A figure behind others, washed out by its own room, is heard by half and pays for it.

    Whether all its energy matters or its attacks alone: the room of one note lies on the next.
    """
    layers = [
        Layer("melody", 300.0, 3000.0, articulation=0.5),
        Layer("figure", 200.0, 2500.0, rate=4.0, articulation=0.9, foreground=False),
    ]
    start = [Spot(pan=-0.3), Spot(pan=0.3)]
    music = Music(layers, start, frames=240)
    dry = music.envelopes.templates[:, :, 0]
    lost = []
    rises = attack_share(dry, dry[::-1], np.arange(240), 240)
    for attacks in (None, attack_factor(rises, music.scene.articulation)):
        sound = music.sounding(start)
        weight = importance(sound.early, sound.late, music.scene.articulation, attacks)
        scene = replace(music.scene, importance=weight)
        washed = music.sounding([start[0], replace(start[1], clarity_db=-8.0)])
        before, after = (audibility(scene, one.early, one.late).share[1] for one in (sound, washed))
        lost.append(1.0 - after / before)
    assert min(lost) > 0.4
    cost = music.cost([start[0], replace(start[1], clarity_db=-8.0)])
    assert cost.terms["audibility"] > music.cost(start).terms["audibility"] + 0.5
