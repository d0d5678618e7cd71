"""Two microphones in a diffuse field are as alike as plane waves from everywhere make them."""

from __future__ import annotations

import numpy as np

from sim.coherence import diffuse_coherence, diffuse_power
from sim.microphones import Microphone

FREQUENCIES = np.array([30.0, 100.0, 250.0, 700.0, 2000.0])


def everywhere(count: int = 20000) -> np.ndarray:
    """Directions spread evenly over the sphere (golden-angle spiral); (count, 3)."""
    z = 1.0 - 2.0 * (np.arange(count) + 0.5) / count
    angle = np.arange(count) * np.pi * (3.0 - np.sqrt(5.0))
    flat = np.sqrt(1.0 - z * z)
    return np.stack([flat * np.cos(angle), flat * np.sin(angle), z], axis=1)


def test_omnidirectional_is_sinc() -> None:
    """sin(k d) / (k d) for two omnidirectional microphones (Cook et al. 1955)."""
    pair = [Microphone((0.0, 0.0, 3.0)), Microphone((1.2, 0.5, 3.0))]
    x = 2.0 * np.pi * FREQUENCIES * 1.3 / 343.2
    got = diffuse_coherence(pair, FREQUENCIES, speed=343.2)[0, 1]
    np.testing.assert_allclose(got, np.sin(x) / x, atol=1e-12)


def test_any_pattern_against_plane_waves() -> None:
    """Every pair of an odd array, against 20 000 plane waves added up: within 0.002."""
    array = [
        Microphone((0.0, 0.0, 3.0), (0.0, 1.0, -0.3), 0.5),
        Microphone((0.4, 0.1, 3.0), (1.0, 1.0, 0.0), 0.5),
        Microphone((0.4, 0.1, 3.2), (1.0, 0.0, 0.0), 0.0),
        Microphone((-0.3, 0.6, 2.8), (0.0, 1.0, 0.0), 1.0),
        Microphone((-0.3, 0.6, 2.8), (0.0, -1.0, 0.0), 0.7),
    ]
    waves = everywhere()
    place = np.array([m.position for m in array])
    pattern = np.array([m.pattern for m in array])[:, None]
    aim = np.array([m.aim for m in array])
    taken = pattern + (1.0 - pattern) * (aim @ waves.T)
    np.testing.assert_allclose(np.square(taken).mean(axis=1), diffuse_power(array), atol=1e-4)
    got = diffuse_coherence(array, FREQUENCIES, speed=343.2)
    for band, frequency in enumerate(FREQUENCIES):
        k = 2.0 * np.pi * frequency / 343.2
        # a wave from n reaches a microphone at x the earlier the further x lies along n
        heard = taken * np.exp(1j * k * (place @ waves.T))
        cross = heard @ heard.conj().T / len(waves)
        scale = np.sqrt(np.outer(np.diag(cross).real, np.diag(cross).real))
        np.testing.assert_allclose(got[:, :, band], cross / scale, atol=2e-3)
