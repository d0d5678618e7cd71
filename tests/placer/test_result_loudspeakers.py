"""The simulated loudspeakers of the page are those that the cost judges with."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import oaconvolve

from placer.result.loudspeakers import speaker_taps
from sim.ears import speaker_responses
from tests.placer.result_run import measured_lufs


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_both_ears_get_what_the_model_of_the_head_gives(rate):
    """From 100 Hz to 16 kHz within .5 dB of the model, near against far within .3 dB."""
    frequency = np.geomspace(100.0, 16000.0, 60)
    wanted = np.abs(speaker_responses(frequency, 0.0)[0])
    turns = np.exp(-2j * np.pi * np.outer(frequency, np.arange(256)) / rate)
    found = np.abs(np.stack([turns @ tap for tap in speaker_taps(rate)]))
    change = 20 * np.log10(found / wanted)
    assert np.ptp(change) < 1.0
    assert np.max(np.abs(change[0] - change[1])) < 0.3


def test_a_wide_mix_stays_as_loud():
    """Two channels of pink noise that share nothing: within .1 LU (libebur128)."""
    rng = np.random.default_rng(5)
    spectrum = np.fft.rfft(rng.normal(size=(2, 8 * 48000)))
    spectrum[:, 1:] /= np.sqrt(np.arange(1, spectrum.shape[1]))
    left, right = 0.05 * np.fft.irfft(spectrum)[:, :] / np.std(np.fft.irfft(spectrum))
    near, far = speaker_taps(48000)
    ears = np.stack([
        oaconvolve(left, near) + oaconvolve(right, far),
        oaconvolve(left, far) + oaconvolve(right, near),
    ])  # fmt: skip
    assert measured_lufs(ears) == pytest.approx(measured_lufs(np.stack([left, right])), abs=0.1)
