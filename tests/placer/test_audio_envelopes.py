"""Band energies of a signal."""

from __future__ import annotations

import numpy as np
import pytest

from placer.audio.envelopes import band_filters, covariances, excitation, plain_covariance, spectra
from sim.bands import ERB_CENTRES, erb_edges, excitation_weights

RATE = 48000


def test_tone_reads_its_mean_square_in_one_band() -> None:
    """A tone of amplitude 1 has mean square 1/2 (closed form) and lies in one ERB band."""
    filters = band_filters(RATE)
    tone = np.sin(2 * np.pi * float(ERB_CENTRES[15]) * np.arange(4 * RATE) / RATE)
    stereo = spectra(np.stack([tone, tone]), filters)[:, 2:-2]
    plain = plain_covariance(stereo, filters.plain)
    assert plain[0].sum() == pytest.approx(0.5, rel=1e-3)
    assert plain[0].max() == pytest.approx(0.5, rel=0.02)
    np.testing.assert_allclose(plain[2], plain[0], rtol=1e-5, atol=1e-9)


def test_roex_skirt_of_a_tone() -> None:
    """W(0.2) = -17.72 dB at 1 kHz (Glasberg and Moore 1990, p = 30.16): a masker's spread."""
    filters = band_filters(RATE)
    band = np.argmin(np.abs(filters.frequencies - 800.0))
    assert filters.excitation.shape == (39, filters.frequencies.size)
    weight = excitation_weights(np.array([1000.0]), filters.frequencies)[0, band]
    g = abs(filters.frequencies[band] - 1000.0) / 1000.0
    expected = 10 * np.log10((1 + 30.16 * g) * np.exp(-30.16 * g))
    assert 10 * np.log10(weight) == pytest.approx(expected, abs=0.02)
    assert 10 * np.log10((1 + 30.16 * 0.2) * np.exp(-30.16 * 0.2)) == pytest.approx(
        -17.72, abs=0.01
    )


def test_covariance_sees_phase() -> None:
    """Inverting one side turns the real cross term negative and leaves energies alone."""
    rng = np.random.default_rng(1)
    noise = rng.standard_normal(RATE)
    filters = band_filters(RATE)
    same = covariances(spectra(np.stack([noise, noise]), filters), filters)
    inverted = covariances(spectra(np.stack([noise, -noise]), filters), filters)
    np.testing.assert_allclose(inverted[:2], same[:2], rtol=1e-6)
    np.testing.assert_allclose(inverted[2], -same[2], rtol=1e-5)


def test_noise_powers_sum_to_its_mean_square() -> None:
    """Bands that do not overlap hold all the power between their outer edges."""
    rng = np.random.default_rng(2)
    noise = rng.standard_normal((2, 8 * RATE))
    filters = band_filters(RATE)
    plain = plain_covariance(spectra(noise, filters), filters.plain)[0].sum()
    edges = erb_edges()
    inside = (edges[-1] - edges[0]) / (RATE / 2)
    assert plain == pytest.approx(inside, rel=0.03)
    assert excitation(spectra(noise, filters), filters).shape[0] == 39
