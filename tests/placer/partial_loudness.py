"""Partial loudness of one sound in another, as a witness for the tests of audibility.

Moore, Glasberg & Baer (1997), J. Audio Eng. Soc. 45, 224-240, equations 17 to 20 (specific loudness
in a band of a signal in a noise; excitations linear re 0 dB SPL), with the constant C of ANSI
S3.4-2007. Independent of `placer.cost`: nothing is imported from it.
"""

from __future__ import annotations

import numpy as np

C = 0.046871
G_DB = (-12.0, 0.0)
ALPHA, A = (0.228, 0.2), (6.24, 4.72)
"""Low-level gain of the cochlear amplifier against that at 500 Hz and above; the exponent and the
constant that go with it (Moore, Glasberg & Baer 1997, figs. 6 and 7; values at 100 Hz and from
500 Hz on, linear in G between and beyond)."""

FREQUENCY = (50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 1000.0)
QUIET_DB = (28.2, 23.9, 19.2, 15.7, 12.7, 10.1, 8.1, 6.3, 5.3, 4.5, 3.73, 3.73)
K_DB = (13.5, 10.0, 7.1, 4.9, 3.1, 1.5, 0.4, -0.5, -1.2, -1.9, -2.3, -3.0)


def threshold_quiet(frequency: np.ndarray) -> np.ndarray:
    """Excitation at threshold in quiet, linear; flat above 500 Hz."""
    return 10 ** (np.interp(np.log(frequency), np.log(FREQUENCY), QUIET_DB) / 10)


def noise_ratio(frequency: np.ndarray) -> np.ndarray:
    """K: signal to noise at masked threshold, linear."""
    return 10 ** (np.interp(np.log(frequency), np.log(FREQUENCY), K_DB) / 10)


def _shape(frequency: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """G (linear), alpha and A in a band."""
    gain_db = 3.73 - 10 * np.log10(threshold_quiet(frequency))
    alpha = ALPHA[1] + (ALPHA[0] - ALPHA[1]) * gain_db / G_DB[0]
    return 10 ** (gain_db / 10), alpha, A[1] + (A[0] - A[1]) * gain_db / G_DB[0]


def specific_loudness_quiet(signal: np.ndarray, frequency: np.ndarray) -> np.ndarray:
    """N' of a signal in quiet, sone per ERB."""
    quiet, (gain, alpha, a) = threshold_quiet(frequency), _shape(frequency)
    full = C * ((gain * signal + a) ** alpha - a**alpha)
    return np.where(signal < quiet, full * (2 * signal / (signal + quiet)) ** 1.5, full)


def specific_loudness(signal: np.ndarray, noise: np.ndarray, frequency: np.ndarray) -> np.ndarray:
    """N' of a signal in a noise, sone per ERB (eq. 19 above, eq. 20 below masked threshold)."""
    quiet, (gain, alpha, a) = threshold_quiet(frequency), _shape(frequency)
    masked = noise_ratio(frequency) * noise + quiet

    def compressed(excitation: np.ndarray) -> np.ndarray:
        return (gain * excitation + a) ** alpha

    both, alone, least = compressed(signal + noise), compressed(noise), compressed(quiet)
    limit = compressed(noise + masked)
    above = C * (both - a**alpha) - C * (limit - least) * (masked / signal) ** 0.3
    part = (least - a**alpha) / (limit - alone) * (both - alone)
    below = C * (2 * signal / (signal + masked)) ** 1.5 * part
    return np.where(signal >= masked, above, below)
