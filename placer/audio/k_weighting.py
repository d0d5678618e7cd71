"""How the ear's K-weighting of BS.1770 looks at any sample rate.

*Conventions*: frequencies and sample rates in Hz; coefficients as second-order sections (2, 6) in
the order b0 b1 b2 a0 a1 a2, first the shelf (the head), then the high-pass.

Sources
-------
ITU-R BS.1770-5, Annex 1, tables 1 and 2: coefficients at 48 kHz (the test's witness).
De Man (2014), Evaluation of implementations of the EBU R128 loudness measurement, AES 137: the
analogue parameters behind the tables, from which any other rate follows by bilinear transform.
"""

from __future__ import annotations

import math

import numpy as np

from sim.bands import FloatArray

SHELF_GAIN_DB, SHELF_FREQUENCY, SHELF_Q = 3.999843853973347, 1681.974450955533, 0.7071752369554196
SHELF_EXPONENT = 0.4996667741545416
"""Gain at the shelf's corner as a power of its gain."""
PASS_FREQUENCY, PASS_Q = 38.13547087602444, 0.5003270373238773
TABLE_RATE = 48000
"""Hz at which the tables give the high-pass the numerator 1 -2 1; kept to scale at other rates."""


def k_weighting(sample_rate: int) -> FloatArray:
    """Compute the two filters at `sample_rate` (Hz) as (2, 6) second-order sections."""
    k = math.tan(math.pi * SHELF_FREQUENCY / sample_rate)
    high = 10 ** (SHELF_GAIN_DB / 20)
    corner = high**SHELF_EXPONENT
    a0 = 1 + k / SHELF_Q + k * k
    shelf = [
        (high + corner * k / SHELF_Q + k * k) / a0,
        2 * (k * k - high) / a0,
        (high - corner * k / SHELF_Q + k * k) / a0,
        1.0,
        2 * (k * k - 1) / a0,
        (1 - k / SHELF_Q + k * k) / a0,
    ]
    k = math.tan(math.pi * PASS_FREQUENCY / sample_rate)
    a0 = _pass_scale(sample_rate)
    b = _pass_scale(TABLE_RATE) / a0
    high_pass = [b, -2 * b, b, 1.0, 2 * (k * k - 1) / a0, (1 - k / PASS_Q + k * k) / a0]
    return np.array([shelf, high_pass])


def k_weighting_response(frequencies: FloatArray, sample_rate: int = TABLE_RATE) -> FloatArray:
    """Compute the power response |H(f)|^2 of the K-weighting.

    Parameters
    ----------
    frequencies : (n,) FloatArray
        Hz.
    sample_rate : int
        Hz.

    Returns
    -------
    (n,) FloatArray
        Linear power gain; about 1 at low, 2.5 at high frequencies.
    """
    z = np.exp(-2j * np.pi * np.asarray(frequencies, dtype=float) / sample_rate)
    power = np.ones(z.shape)
    for b0, b1, b2, a0, a1, a2 in k_weighting(sample_rate):
        power = power * np.abs((b0 + z * (b1 + z * b2)) / (a0 + z * (a1 + z * a2))) ** 2
    return power


def _pass_scale(sample_rate: int) -> float:
    """Give the leading denominator coefficient of the high-pass before it is divided out."""
    k = math.tan(math.pi * PASS_FREQUENCY / sample_rate)
    return 1 + k / PASS_Q + k * k
