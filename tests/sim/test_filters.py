"""Reflection filters follow their gains, start when the reflection arrives and ring no earlier."""

from __future__ import annotations

import numpy as np
import pytest

from sim.air import attenuation
from sim.filters import BLOCKING_CORNER, bank, block, blocking_energy
from sim.images import REFLECTION_OCTAVES

RATE = 48000
TAPS = 16384
FREQUENCIES = np.fft.rfftfreq(TAPS, 1.0 / RATE)


def response(gains: np.ndarray, distance: float, rate: float = RATE) -> np.ndarray:
    """Impulse response of one reflection filter."""
    members = bank(rate, 20.0, 50.0)
    laid = np.zeros((1, TAPS, 1 + len(members.corners)))
    laid[0, 0] = members.weights(gains, np.array(distance))
    return members.applied(laid)[0]


WALLS = {
    "lining": np.sqrt(1.0 - np.array([0.27, 0.23, 0.22, 0.15, 0.10, 0.07, 0.06, 0.06])) ** 5,
    "rising": np.array([0.1, 0.15, 0.2, 0.35, 0.5, 0.7, 0.9, 1.0]),
    "behind": np.array([1.0, 1.0, 0.9, 0.6, 0.4, 0.25, 0.2, 0.2]),
}


@pytest.mark.parametrize("name", WALLS)
def test_gain_in_every_octave(name: str) -> None:
    """The level at each octave centre is the one asked for, within 0.4 dB (a tenth of a step)."""
    gains = WALLS[name]
    spectrum = np.abs(np.fft.rfft(response(gains, 0.0)))
    got = np.interp(REFLECTION_OCTAVES, FREQUENCIES, spectrum)
    np.testing.assert_allclose(20.0 * np.log10(got / gains), 0.0, atol=0.4)


def test_equal_gains_do_not_colour() -> None:
    """A reflection that loses as much in every band is a scaled impulse, to -100 dB."""
    heard = response(np.full(8, 0.5), 0.0)
    assert heard[0] == pytest.approx(0.5, abs=5e-6)
    assert np.abs(heard[1:]).max() < 5e-6


def test_air_follows_its_own_law() -> None:
    """30 m of air: the ISO 9613-1 loss at every frequency from 100 Hz to 12 kHz within 0.3 dB."""
    spectrum = 20.0 * np.log10(np.abs(np.fft.rfft(response(np.ones(8), 30.0))))
    checked = (FREQUENCIES > 100.0) & (FREQUENCIES < 12000.0)
    loss = -10.0 * np.log10(np.exp(1.0)) * 30.0 * attenuation(FREQUENCIES, 20.0, 50.0)
    np.testing.assert_allclose(spectrum[checked], loss[checked], atol=0.3)


def test_minimum_phase() -> None:
    """Most of the energy comes at once: no other causal filter of this spectrum is quicker."""
    heard = response(WALLS["behind"], 20.0)
    quick = np.cumsum(np.square(heard)) / np.sum(np.square(heard))
    minimum = np.cumsum(np.square(_minimum_phase(np.abs(np.fft.rfft(heard)))))
    np.testing.assert_allclose(quick[:200], minimum[:200] / minimum[-1], atol=0.03)


def _minimum_phase(magnitude: np.ndarray) -> np.ndarray:
    """Impulse response of the minimum-phase filter with this magnitude, by scipy."""
    from scipy.signal import minimum_phase

    linear = np.roll(np.fft.irfft(magnitude**2, TAPS), TAPS // 2)[1:]
    return np.asarray(minimum_phase(linear, method="homomorphic", n_fft=8 * TAPS))


@pytest.mark.parametrize("rate", [16000, 44100, 96000])
def test_other_sample_rates(rate: int) -> None:
    """The same colour at any rate, up to 0.4 of it: within 0.5 dB."""
    gains = WALLS["lining"]
    spectrum = np.abs(np.fft.rfft(response(gains, 0.0, rate)))
    below = 0.4 * rate > REFLECTION_OCTAVES
    got = np.interp(REFLECTION_OCTAVES, np.fft.rfftfreq(TAPS, 1.0 / rate), spectrum)
    np.testing.assert_allclose(20.0 * np.log10(got / gains)[below], 0.0, atol=0.5)


def test_blocking() -> None:
    """The high-pass is 3.01 dB down at its corner, 0.1 dB at 25 Hz, and passes nothing at 0 Hz."""
    impulse = np.zeros((1, 1 << 17))
    impulse[0, 0] = 1.0
    energy = np.square(np.abs(np.fft.rfft(block(impulse, RATE)[0])))
    grid = np.fft.rfftfreq(1 << 17, 1.0 / RATE)
    at = np.interp([BLOCKING_CORNER, 25.0], grid, 10.0 * np.log10(energy + 1e-30))
    np.testing.assert_allclose(at, [-3.01, -0.11], atol=0.03)
    assert energy[0] < 1e-12
    heard = (grid > 1.0) & (grid < 1000.0)
    np.testing.assert_allclose(energy[heard], blocking_energy(grid)[heard], rtol=1e-2)
