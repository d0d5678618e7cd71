"""Ears: a spherical head against closed forms and a measured one; level and side kept."""

from __future__ import annotations

import numpy as np
import pytest

from sim.bands import ERB_CENTRES
from sim.ears import (
    HEAD_POSITIONS,
    HEAD_RADIUS,
    SPEED_OF_SOUND,
    covariance_map,
    ear_maps,
    head_maps,
    speaker_responses,
    sphere_response,
)
from tests.kemar import head_responses


def delay(frequency: float, azimuth_deg: float) -> float:
    """Interaural phase delay of a plane wave, s; azimuth to the right."""
    azimuth, f = np.radians(azimuth_deg), np.array([frequency])
    right = sphere_response(f, np.pi / 2 - azimuth)[0]
    left = sphere_response(f, np.pi / 2 + azimuth)[0]
    return float(np.angle(right / left) / (2 * np.pi * frequency))


@pytest.mark.parametrize("azimuth_deg", [15.0, 30.0, 60.0, 90.0])
def test_low_frequency_delay(azimuth_deg: float) -> None:
    """Well below 500 Hz the delay is 3 a sin(theta) / c (Kuhn 1977)."""
    expected = 3 * HEAD_RADIUS / SPEED_OF_SOUND * np.sin(np.radians(azimuth_deg))
    assert delay(60.0, azimuth_deg) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("azimuth_deg", [15.0, 30.0, 45.0])
def test_high_frequency_delay(azimuth_deg: float) -> None:
    """Far above 1.5 kHz the group delay is that of the path round the sphere (Woodworth 1938)."""
    theta = np.radians(azimuth_deg)
    f = np.linspace(8000.0, 8400.0, 41)
    ratio = sphere_response(f, np.pi / 2 - theta) / sphere_response(f, np.pi / 2 + theta)
    slope = np.polyfit(f, np.unwrap(np.angle(ratio)), 1)[0] / (2 * np.pi)
    expected = HEAD_RADIUS / SPEED_OF_SOUND * (theta + np.sin(theta))
    assert slope == pytest.approx(expected, rel=0.06)


def test_a_long_wave_passes_the_head_unchanged() -> None:
    """At 5 Hz the pressure on the sphere is that of the free field."""
    for angle in (0.0, 1.0, np.pi):
        assert abs(sphere_response(np.array([5.0]), angle)[0]) == pytest.approx(1.0, abs=1e-3)


def test_a_wall_doubles_the_pressure() -> None:
    """Facing the source at high frequencies a sphere is a wall: +6 dB."""
    assert abs(sphere_response(np.array([16000.0]), 0.0)[0]) == pytest.approx(2.0, rel=0.02)


def test_map_is_the_product_of_transfer_functions() -> None:
    """The 4 x 4 map does to a covariance what the 2 x 2 transfer matrix does to signals."""
    rng = np.random.default_rng(0)
    matrix = rng.normal(size=(2, 2)) + 1j * rng.normal(size=(2, 2))
    signals = rng.normal(size=(2, 50)) + 1j * rng.normal(size=(2, 50))

    def packed(x: np.ndarray) -> np.ndarray:
        c = x @ x.conj().T
        return np.array([c[0, 0].real, c[1, 1].real, c[0, 1].real, c[0, 1].imag])

    way = covariance_map(matrix[:, :, None])[:, :, 0]
    np.testing.assert_allclose(way @ packed(signals), packed(matrix @ signals), rtol=1e-12)


def test_headphones_leave_channels_alone() -> None:
    """By headphones the ears are the channels."""
    np.testing.assert_array_equal(ear_maps(ERB_CENTRES)[0, :, :, 5], np.eye(4))


def test_loudspeakers_keep_the_energy_of_a_decorrelated_pair() -> None:
    """Decorrelated channels of equal energy reach each ear with that energy, in every band."""
    ears = np.einsum("cdb,d->cb", ear_maps(ERB_CENTRES)[1], [1.0, 1.0, 0.0, 0.0])
    np.testing.assert_allclose(ears[:2], 1.0, rtol=1e-12)


def test_loudspeakers_mirror() -> None:
    """Left and right are alike, and no energy is ever negative."""
    way = ear_maps(ERB_CENTRES)[1]
    swap = [1, 0, 2, 3]
    sign = np.array([1.0, 1.0, 1.0, -1.0])
    mirrored = way[swap][:, swap] * sign[:, None, None] * sign[None, :, None]
    np.testing.assert_allclose(mirrored, way, atol=1e-12)
    least = way[0, 0] + way[0, 1] - np.hypot(way[0, 2], way[0, 3])
    assert least.min() > -1e-9


def test_lows_cross_and_highs_stay() -> None:
    """One loudspeaker reaches both ears alike at 50 Hz; at 6 kHz the far ear gets 5-15 dB less."""
    way = ear_maps(np.array([50.0, 6000.0]))[1]
    level = 10 * np.log10(way[0, 0] / way[0, 1])
    assert level[0] == pytest.approx(0.0, abs=0.05)
    assert 5.0 < level[1] < 15.0


@pytest.mark.parametrize(("low", "high"), [(300.0, 1000.0), (1000.0, 3000.0)])
def test_head_shadow_is_near_a_measured_one(low: float, high: float) -> None:
    """At 30 degrees levels differ within 3 dB of the KEMAR head's (Gardner & Martin 1995)."""
    left, right, rate = head_responses(30.0)
    f = np.fft.rfftfreq(4096, 1.0 / rate)
    inside = (f > low) & (f < high)
    measured = [(np.abs(np.fft.rfft(x, 4096)) ** 2)[inside].sum() for x in (left, right)]
    sphere = [
        (np.abs(sphere_response(f[inside], np.pi / 2 - s * np.pi / 6)) ** 2).sum()
        for s in (-1.0, 1.0)
    ]
    difference = 10 * np.log10(measured[1] / measured[0]) - 10 * np.log10(sphere[1] / sphere[0])
    assert abs(difference) < 3.0


def test_a_head_beside_the_centre_hears_the_nearer_loudspeaker_sooner_and_louder() -> None:
    """10 cm to the right of a 2 m triangle: .291 ms and .43 dB between the loudspeakers.

    By hand: sqrt(1.1^2 + 3) - sqrt(.9^2 + 3) = .0999 m, 20 lg(2.0518 / 1.9519) = .434 dB. At 40 Hz
    the head itself is small (its own delay is that of Kuhn 1977, 3 a sin(theta) / c).
    """
    f = np.array([40.0])
    (ll, lr), (rl, rr) = speaker_responses(f, 0.1)[..., 0]
    level = 10 * np.log10((abs(lr) ** 2 + abs(rr) ** 2) / (abs(ll) ** 2 + abs(rl) ** 2))
    assert level == pytest.approx(0.434, abs=0.02)
    late = (np.angle(rr * lr / (ll * rl)) / 2.0) / (2 * np.pi * f[0])
    assert late == pytest.approx(0.0999 / 343.0, rel=0.01)
    for one, other, aside in ((rr, lr, 0.9), (ll, rl, 1.1)):
        own = float(np.angle(one / other) / (2 * np.pi * f[0]))
        angle = aside / np.hypot(aside, np.sqrt(3.0))
        assert own == pytest.approx(3 * HEAD_RADIUS / SPEED_OF_SOUND * angle, rel=0.01)


def test_heads_on_either_side_are_mirror_images() -> None:
    """What the right ear hears 10 cm to the right, the left ear hears 10 cm to the left."""
    f = np.array([90.0, 700.0, 5000.0])
    right, left = speaker_responses(f, 0.1), speaker_responses(f, -0.1)
    np.testing.assert_allclose(left[::-1, ::-1], right, rtol=1e-12)
    maps = head_maps(ERB_CENTRES)
    assert HEAD_POSITIONS[0] == 0.0
    assert HEAD_POSITIONS[1] == -HEAD_POSITIONS[2]
    swap, sign = [1, 0, 2, 3], np.array([1.0, 1.0, 1.0, -1.0])
    mirrored = maps[1][swap][:, swap] * sign[:, None, None] * sign[None, :, None]
    np.testing.assert_allclose(mirrored, maps[2], atol=1e-12)
    np.testing.assert_array_equal(maps[0], ear_maps(ERB_CENTRES)[1])


def test_antiphase_is_not_the_same_beside_the_centre() -> None:
    """Alike at both ears at the centre, 6 dB or more apart 10 cm beside it, at 500 Hz.

    By hand: the loudspeakers' ways differ by .0999 m, .915 rad, so that half the energy of a
    decorrelated pair times |1 - exp(.915i)|^2, -4.1 dB, is left on average over the ears.
    """
    maps = head_maps(np.array([60.0, 500.0]))
    ears = np.einsum("hedb,d->heb", maps, np.array([0.5, 0.5, -0.5, 0.0]))[:, :2]
    level = 10 * np.log10(ears)
    assert level[0, 0, 0] < -20.0
    np.testing.assert_allclose(level[0, 0], level[0, 1], atol=1e-9)
    assert level[1, 0, 1] - level[1, 1, 1] > 6.0
    assert 10 * np.log10(ears[1, :, 1].mean()) == pytest.approx(-4.1, abs=0.3)
