"""Sections spread without thinning, and families radiate by their law."""

from __future__ import annotations

import numpy as np
import pytest

from sim.directivity import FAMILIES, axis, power, shading
from sim.source import Source, players, shares, spread


def test_players_cover_the_section() -> None:
    """Each player takes a fifth of the width; the middle one is first, the outermost are last."""
    places = players(Source((2.0, 4.0), width=6.0))
    np.testing.assert_allclose(places[:, 0] - 2.0, [0.0, -1.2, 1.2, -2.4, 2.4])
    np.testing.assert_allclose(places[:, 1:], [[4.0, 1.2]] * 5)
    assert len(players(Source((2.0, 4.0), width=0.5))) == 1
    assert len(players(Source((2.0, 4.0), width=19.0))) == 7  # never more


@pytest.mark.parametrize("count", [1, 3, 5, 7])
def test_shares_keep_the_energy(count: int) -> None:
    """However many play, their energies sum to that of one."""
    np.testing.assert_allclose(np.square(shares(count)).sum(axis=0), 1.0)


def test_spread_is_an_all_pass() -> None:
    """The direct sound of a wide section keeps its spectrum: flat within 0.05 dB everywhere."""
    delays, amplitudes = spread(np.array([0.003, -0.001, 0.02]))
    assert delays.max() < 9 * 0.004 + 1e-9
    frequencies = np.linspace(20.0, 20000.0, 997)
    turns = np.exp(-2j * np.pi * frequencies[:, None, None] * delays)
    level = 20.0 * np.log10(np.abs(turns @ amplitudes))
    assert np.abs(level).max() < 0.05


@pytest.mark.parametrize("family", FAMILIES)
def test_nothing_radiates_less_than_nothing_behind(family: str) -> None:
    """At high frequencies a part of the sound is left there, at the most all of it."""
    behind = 1.0 - shading(family, np.array([40000.0]), speed=343.2)[0]
    assert 0.0 < behind <= 1.0


@pytest.mark.parametrize("family", FAMILIES)
def test_power_is_the_mean_over_the_sphere(family: str) -> None:
    """The reverberation is fed what the law radiates, averaged over directions numerically."""
    frequency = np.array([125.0, 1000.0, 8000.0])
    shade = shading(family, frequency, speed=343.2)
    cosine = (np.arange(4000) + 0.5) / 2000.0 - 1.0  # even over the sphere
    pattern = 1.0 - shade[:, None] * (1.0 - cosine) / 2.0
    np.testing.assert_allclose(power(shade), np.square(pattern).mean(axis=1), rtol=1e-6)


@pytest.mark.parametrize("family", [name for name in FAMILIES if FAMILIES[name].radius > 0.0])
def test_half_is_gone_where_a_wave_goes_once_round(family: str) -> None:
    """The corner lies at k a = 1: a wavelength as long as the radiating part is round."""
    radiation = FAMILIES[family]
    corner = 343.2 / (2.0 * np.pi * radiation.radius)
    shade = shading(family, corner * np.array([0.01, 1.0, 100.0]), speed=343.2)
    np.testing.assert_allclose(shade / radiation.depth, [0.0, 0.5, 1.0], atol=2e-4)


def test_low_notes_go_everywhere() -> None:
    """At 63 Hz no family loses more than 0.6 dB behind; at 4 kHz brass loses over 10 dB."""
    for family in FAMILIES:
        behind = 1.0 - shading(family, np.array([63.0]), speed=343.2)[0]
        assert 20.0 * np.log10(behind) > -0.6, family
    brass = 1.0 - shading("brass", np.array([4000.0]), speed=343.2)[0]
    assert 20.0 * np.log10(brass) < -10.0


def test_axes() -> None:
    """Brass plays at the conductor, horns away from him, percussion upwards; all unit vectors."""
    seat = np.array([4.0, 8.0, 1.2])
    assert axis("brass", seat)[:2] @ seat[:2] < 0.0
    assert axis("horns", seat)[:2] @ seat[:2] > 0.0
    np.testing.assert_allclose(axis("percussion", seat), [0.0, 0.0, 1.0])
    assert axis("strings", seat)[2] == pytest.approx(np.sin(np.radians(50.0)))  # upwards
    for family in FAMILIES:
        assert np.linalg.norm(axis(family, seat)) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"position": (1.0,)}, "has 1 values"),
        ({"position": (1.0, 2.0), "width": -1.0}, r"width = -1\.0 m"),
        ({"position": (1.0, 2.0), "family": "kazoo"}, r"'kazoo' is none of omni, strings"),
    ],
)
def test_refused(given: dict[str, object], message: str) -> None:
    """A source that cannot be is refused with what is allowed."""
    with pytest.raises(ValueError, match=message):
        Source(**given)  # type: ignore[arg-type]


def test_who_stands_where_the_conductor_does_plays_into_the_hall() -> None:
    """There is no direction towards oneself: it is that of a seat straight ahead, very near."""
    near = np.array([0.0, 1e-3, 1.2])
    np.testing.assert_allclose(axis("brass", np.zeros(3)), axis("brass", near), atol=1e-9)
