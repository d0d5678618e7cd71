"""What a passage gives at a seat, measured at a low rate, is what full-rate convolution gives."""

from __future__ import annotations

import numpy as np
import pytest
from placer.placing.gating import block_count, gated
from placer.placing.heard import HeardBand
from scipy.signal import butter, oaconvolve, sosfilt

from placer.audio.envelopes import band_filters, plain_covariance, spectra
from placer.audio.loudness import gated_blocks, integrated_loudness
from placer.placement.layout import covariance_weights
from sim.decibel import energy_db

RATE = 48000


def bursts(seconds: float) -> np.ndarray:
    """Low noise that comes twice and rests between, (1, frame)."""
    rng = np.random.default_rng(4)
    time = np.arange(int(seconds * RATE)) / RATE
    low = sosfilt(butter(6, 700.0, fs=RATE, output="sos"), rng.standard_normal(time.size))
    loud = ((time > 0.5) & (time < 1.5)) | ((time > 4.0) & (time < 4.6))
    return np.asarray((0.1 * low * np.where(loud, 1.0, 0.02))[None])


def responses(channels: int) -> list[tuple[np.ndarray, np.ndarray]]:
    """Early taps and a late decay of 1.2 s in each channel."""
    rng = np.random.default_rng(5)
    time = np.arange(2 * RATE) / RATE
    late = 0.01 * rng.standard_normal((channels, time.size)) * 10.0 ** (-3.0 * time / 1.2)
    late[:, : int(0.08 * RATE)] = 0.0
    early = np.zeros_like(late)
    early[np.arange(channels), 100 * np.arange(1, channels + 1)] = 1.0
    return [(early, late)]


def test_gates_are_those_of_loudness() -> None:
    """Blocks of a sound through both gates: the mean that its integrated loudness stands for."""
    sound = np.repeat(bursts(6.0), 2, axis=0)
    found = gated(gated_blocks(sound, RATE).power[None])[0]
    assert energy_db(found) - 0.691 == pytest.approx(integrated_loudness(sound, RATE), abs=1e-6)
    assert gated(np.zeros((2, 5))).tolist() == [0.0, 0.0]


@pytest.mark.parametrize("delay", [0, 480])
def test_a_seat_is_heard_as_full_convolution_hears_it(delay: int) -> None:
    """Band energies within 0.35 dB where a hundredth of the energy is; gated loudness, 0.15 dB."""
    stem, parts, band = bursts(6.0), responses(3), HeardBand(RATE)
    whole = [oaconvolve(stem, part, axes=-1)[:, : stem.shape[-1]] for part in parts[0]]
    for part in whole:
        part[0] = np.concatenate([np.zeros(delay), part[0, : part.shape[-1] - delay]])
    filters = band_filters(RATE)
    blocks = block_count(spectra(stem, filters).shape[1])
    (found,) = band.heard(band.lowered(stem), parts, [delay], blocks=blocks)
    matrix = np.array([[0.8, 0.5, 0.1], [0.2, 0.5, 0.9]])
    weights = covariance_weights(matrix)
    for grams, part in ((found.early, whole[0]), (found.late, whole[1])):
        wanted = plain_covariance(spectra(matrix @ part, filters), filters.plain)[:2]
        strong = wanted > 0.01 * wanted.max()
        strong[:, band.count :] = False
        got = (weights @ grams)[:2]
        error = energy_db(got[strong[:, : band.count]] / wanted[strong])
        np.testing.assert_allclose(error, 0.0, atol=0.35)
    power = gated(((weights[0] + weights[1]) @ found.blocks)[None])[0]
    wanted_lufs = integrated_loudness(matrix @ (whole[0] + whole[1]), RATE)
    assert energy_db(power) - 0.691 == pytest.approx(wanted_lufs, abs=0.15)
