"""How much two ears together gain over the better one.

Equalisation and cancellation: the masker is made alike at both ears and subtracted; what is left
of the signal, against what is left of the masker, is compared with the better ear. With TL, TR the
signal's and ML, MR the masker's energies at the ears, t and m their cross terms L conj R,
rho = |m| / sqrt(ML MR) and k = k(f) the imprecision of cancelling:

    U = [k (TL/ML + TR/MR) - 2 Re(t conj m) / (|m| sqrt(ML MR))] / [2 (k - rho) max(TL/ML, TR/MR)]

but at least 1. For a signal that is coherent and alike at both ears this is the published
(k - cos(phi_T - phi_M)) / (k - rho). The long form matters in a mix: a signal without interaural
coherence (wide, or far into the room) has no phase to speak of and gains 3 dB less than one in
antiphase, and a signal or masker at one ear only gains what its weaker ear can give. The phase term
is multiplied by 1.0025 rho^2 / (rho^2 + 0.05^2), 1 at rho = 1, so that a masker without coherence
has no phase either.

Sources
-------
Culling, Hawley & Litovsky (2004), J. Acoust. Soc. Am. 116, 1057, and erratum (2005) 118, 552: k(f)
and the short form. Durlach (1972): sigma_epsilon = 0.25, sigma_delta = 105 us. The long form is
derived here from the same model.
"""

from __future__ import annotations

import numpy as np

from sim.decibel import FloatArray

SIGMA_GAIN = 0.25
"""Imprecision of equalising gain (Durlach 1972)."""

SIGMA_DELAY = 105e-6
"""Imprecision of equalising delay, s (Durlach 1972)."""

SILENT_EAR = 1e-4
"""Share of a masker's energy that the quieter ear has at least (40 dB between the ears)."""

PHASELESS = 0.05
"""Coherence of a masker below which it has no phase to cancel by: over an excerpt of some seconds,
chance alone makes as much."""

TINY = 1e-30
"""Energy that counts as silence."""


def cancellation_limit(frequency: FloatArray) -> FloatArray:
    """k(f) = (1 + 0.25^2) exp((2 pi f)^2 (105 us)^2), held at 1e6 where nothing cancels.

    Examples
    --------
    >>> cancellation_limit(np.array([125.0, 500.0])).round(4).tolist()
    [1.0698, 1.1846]
    """
    exponent = np.minimum(np.square(2.0 * np.pi * frequency * SIGMA_DELAY), np.log(1e6))
    limit: FloatArray = (1.0 + SIGMA_GAIN**2) * np.exp(exponent)
    return limit


def binaural_gain(signal: FloatArray, masker: FloatArray, limit: FloatArray) -> FloatArray:
    """Energy gain of two ears over the better one.

    Parameters
    ----------
    signal, masker : (..., 4, B) FloatArray
        Covariances at the ears, over time.
    limit : (B,) FloatArray
        From `cancellation_limit`.

    Returns
    -------
    (..., B) FloatArray
        1 or more.
    """
    tl, tr, t_re, t_im = (signal[..., i, :] for i in range(4))
    ml, mr, m_re, m_im = (masker[..., i, :] for i in range(4))
    # Scale each to unit energy, so that silence is the same whatever the unit of level.
    t_scale, m_scale = 1.0 / (tl + tr + TINY), 1.0 / (ml + mr + TINY)
    tl, tr, t_re, t_im = tl * t_scale, tr * t_scale, t_re * t_scale, t_im * t_scale
    ml, mr, m_re, m_im = ml * m_scale, mr * m_scale, m_re * m_scale, m_im * m_scale
    ml, mr = ml + SILENT_EAR, mr + SILENT_EAR
    between = np.sqrt(ml * mr)
    size = np.sqrt(m_re**2 + m_im**2)
    steady = (1.0 + PHASELESS**2) * size * between / (size**2 + (PHASELESS * between) ** 2)
    best = np.maximum(tl * mr, tr * ml)
    left = limit * (tl * mr + tr * ml) - 2.0 * (t_re * m_re + t_im * m_im) * steady
    rest = 2.0 * (limit - np.minimum(size / between, 1.0)) * best
    gain: FloatArray = np.maximum(left / np.maximum(rest, 1e-12), 1.0)
    return gain
