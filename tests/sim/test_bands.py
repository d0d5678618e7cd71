"""Bands of the ear and of the lows against printed values and their own definitions."""

import numpy as np
import pytest

from sim.bands import (
    ERB_CENTRES,
    LOW_THIRDS,
    erb_bandwidth,
    erb_edges,
    erb_frequency,
    erb_number,
    excitation_weights,
    power_weights,
    third_edges,
)
from sim.decibel import FLOOR_DB, amplitude, amplitude_db, energy, energy_db


@pytest.mark.parametrize(
    ("frequency", "bandwidth", "number"),
    [(100.0, 35.5, 3.4), (500.0, 78.7, 10.8), (1000.0, 132.6, 15.6), (4000.0, 456.5, 27.1)],
)
def test_ear_bands(frequency: float, bandwidth: float, number: float) -> None:
    """Widths and numbers at round frequencies (Glasberg & Moore 1990, eq. 3 and 4, by hand)."""
    assert float(erb_bandwidth(frequency)) == pytest.approx(bandwidth, abs=0.06)
    assert float(erb_number(frequency)) == pytest.approx(number, abs=0.06)


def test_numbers_turn_back_into_frequencies() -> None:
    """Number and frequency are inverse; band edges lie half a number beside their centre."""
    assert np.allclose(erb_number(ERB_CENTRES), np.arange(1, 40), rtol=1e-12)
    some = np.array([31.5, 440.0, 9e3])
    assert np.allclose(erb_frequency(erb_number(some)), some)
    assert np.allclose(erb_number(erb_edges()[1:]) - erb_number(ERB_CENTRES), 0.5)


def test_numbers_count_bandwidths() -> None:
    """One more number is one more bandwidth: the number's slope is 1 / ERB (within 1 %: 21.4)."""
    slope = (erb_number(ERB_CENTRES + 0.01) - erb_number(ERB_CENTRES - 0.01)) / 0.02
    assert np.allclose(slope * erb_bandwidth(ERB_CENTRES), 1.0, rtol=0.01)


def test_thirds() -> None:
    """Mid-bands and edges of IEC 61260-1 (base ten): 25.119 Hz from 22.387 to 28.184 Hz, ..."""
    edges = third_edges()
    assert np.round(LOW_THIRDS[[0, 6, 10]], 2).tolist() == [25.12, 100.0, 251.19]
    assert np.round(edges[[0, 1, -1]], 2).tolist() == [22.39, 28.18, 281.84]
    assert np.allclose(edges[1:] * edges[:-1], LOW_THIRDS**2, rtol=1e-12)


def test_shares_are_a_partition() -> None:
    """Each bin within the edges counts once; a band's shares add to its width."""
    edges = erb_edges()
    frequencies = np.arange(0.0, 24000.0, 5.0)
    shares = power_weights(edges, frequencies)
    inside = (frequencies - 2.5 >= edges[0]) & (frequencies + 2.5 <= edges[-1])
    assert shares.min() == 0.0
    assert np.allclose(shares[:, inside].sum(0), 1.0)
    assert np.allclose(shares.sum(1) * 5.0, np.diff(edges))


def test_filters_are_one_bandwidth_wide() -> None:
    """A filter lets its centre through whole and takes in one ERB of noise, alike either side."""
    centres = ERB_CENTRES[8:30]
    weights = excitation_weights(centres, np.arange(0.0, 24000.0, 1.0))
    assert np.allclose(weights.sum(1), erb_bandwidth(centres), rtol=0.01)
    above = excitation_weights(centres, centres * 1.1).diagonal()
    below = excitation_weights(centres, centres * 0.9).diagonal()
    assert np.allclose(above, below)
    assert np.all((above > 0.0) & (above < 1.0))


def test_decibels() -> None:
    """6.02 dB double an amplitude, 3.01 dB an energy; silence has a floor, not an infinity."""
    assert amplitude(20.0 * np.log10(2.0)) == pytest.approx(2.0)
    assert energy(10.0 * np.log10(2.0)) == pytest.approx(2.0)
    assert energy_db(2.0) == pytest.approx(3.0103, abs=1e-4)
    assert energy_db(0.0) == amplitude_db(0.0) == FLOOR_DB  # silence
    assert amplitude_db(np.array([-2.0, 0.0])) == pytest.approx([6.0206, -200.0], abs=1e-4)
    assert amplitude_db(amplitude(-37.5)) == pytest.approx(-37.5)
