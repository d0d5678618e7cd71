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

from placer.cost import formulas
from sim.decibel import FloatArray

SIGMA_GAIN = 0.25
"""Imprecision of equalising gain (Durlach 1972)."""

SIGMA_DELAY = 105e-6
"""Imprecision of equalising delay, s (Durlach 1972)."""

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
    """Energy gain (..., B) of two ears over the better one, 1 or more.

    Parameters
    ----------
    signal, masker : (..., 4, B) FloatArray
        Covariances at the ears, over time.
    limit : (B,) FloatArray
        From `cancellation_limit`.
    """
    scaled = [
        np.moveaxis(part / (part[..., :2, :].sum(-2, keepdims=True) + TINY), -2, 0)
        for part in (np.asarray(signal, float), np.asarray(masker, float))
    ]  # to unit energy, so that silence is the same whatever the unit of level
    gain: FloatArray = formulas.binaural_gain(tuple(scaled[0]), tuple(scaled[1]), limit)
    return gain
