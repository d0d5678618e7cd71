"""What a room response amounts to in the figures acousticians use.

*Conventions*: responses (..., tap), time last; times in s; figures in dB are named `_db`. Time is
counted from the direct sound: `onset` (s) where the caller knows it, else the first sample within
20 dB of the largest (ISO 3382-1, 5.3.3).

`octave`: one octave band of a response. `decay_curve_db`: backward-integrated energy.
`reverberation_time` (T30, T20), `early_decay_time`, `clarity_db` (C80, C50), `definition` (D50),
`strength_db` (G), `direct_to_reverberant_db`, `lateral_fraction`, `interaural_correlation` (IACC).

Sources
-------
ISO 3382-1:2009, 3.1 to 3.3, 5.3.3, annexes A and B. Schroeder (1965), J. Acoust. Soc. Am. 37,
409-412: backward integration. Bronkhorst & Houtgast (1999), Nature 397, 517-520: about 6 ms as
the direct sound. IEC 61260-1:2014: octave bands.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.decibel import energy_db

FloatArray = NDArray[np.floating[Any]]

ONSET_DB = 20.0
"""The direct sound starts this far below the largest sample, dB (ISO 3382-1, 5.3.3)."""

DIRECT = 0.006
"""What counts as direct sound, s (Bronkhorst & Houtgast 1999)."""

LEAD = 0.0005
"""Energy this long before the onset still belongs to it (a filter's rise), s."""

REFERENCE_ENERGY = 0.01
"""Energy at 10 m in a free field of a source with energy 1 at 1 m (ISO 3382-1, A.2.1)."""

IACC_LAG = 0.001
"""Largest interaural lag, s (ISO 3382-1, B.1)."""


def onset_time(response: FloatArray, sample_rate: float) -> FloatArray:
    """When the direct sound arrives, s: first sample within 20 dB of the largest; (...,)."""
    magnitude = np.abs(response)
    limit = magnitude.max(axis=-1, keepdims=True) * 10.0 ** (-ONSET_DB / 20.0)
    first: FloatArray = np.argmax(magnitude >= limit, axis=-1) / sample_rate
    return first


def octave(response: FloatArray, centre: float, *, sample_rate: float) -> FloatArray:
    """One octave band of a response, by a causal Butterworth band-pass of order 6.

    Parameters
    ----------
    response : (..., tap) FloatArray
    centre : float
        Mid-band frequency, Hz.
    sample_rate : float
        Hz.

    Returns
    -------
    (..., tap) FloatArray
        Edges at centre / sqrt(2) and centre * sqrt(2) (IEC 61260-1).

    Raises
    ------
    ValueError
        If the band does not lie below half the sample rate.
    """
    from scipy.signal import butter, sosfilt  # lazily: importing it takes half a second

    edges = [centre / np.sqrt(2.0), centre * np.sqrt(2.0)]
    if edges[1] >= 0.5 * sample_rate:
        raise ValueError(
            f"the octave at {centre} Hz reaches {edges[1]:.0f} Hz, which is not below half of "
            f"{sample_rate} Hz; choose a lower band"
        )
    sections = butter(6, edges, btype="bandpass", fs=sample_rate, output="sos")
    filtered: FloatArray = sosfilt(sections, response, axis=-1)
    return filtered


def _since(
    response: FloatArray, sample_rate: float, onset: float | FloatArray | None
) -> FloatArray:
    """Time of every sample since the direct sound, s; (..., tap)."""
    start = onset_time(response, sample_rate) if onset is None else np.asarray(onset)
    times: FloatArray = np.arange(response.shape[-1]) / sample_rate - start[..., None]
    return times


def _between(response: FloatArray, since: FloatArray, begin: float, end: float) -> FloatArray:
    """Energy between two times; (...,)."""
    inside = (since >= begin) & (since < end)
    total: FloatArray = np.sum(np.square(response) * inside, axis=-1)
    return total


def decay_curve_db(response: FloatArray, *, noise_from: int | None = None) -> FloatArray:
    """Energy decay curve in dB re its start (backward integration).

    Parameters
    ----------
    response : (..., tap) FloatArray
    noise_from : int, optional
        Sample from which a measured response is only background noise: the noise energy found
        there is taken off every sample and integration starts there (ISO 3382-1, 5.3.3).

    Returns
    -------
    (..., tap) FloatArray
        dB.
    """
    squared = np.square(np.asarray(response, dtype=np.float64))
    if noise_from is not None:
        squared = squared - squared[..., noise_from:].mean(axis=-1, keepdims=True)
        squared[..., noise_from:] = 0.0
    left = np.cumsum(squared[..., ::-1], axis=-1)[..., ::-1]
    curve: FloatArray = energy_db(left / np.maximum(left[..., :1], 1e-300))
    return curve


def _slope_time(curve: FloatArray, sample_rate: float, start: float, stop: float) -> float:
    """60 dB decay time of one curve by a least-squares line between two levels, s."""
    first, last = int(np.argmax(curve <= start)), int(np.argmax(curve < stop))
    if curve.min() >= stop or last - first < 3:
        raise ValueError(
            f"the decay spans {-float(curve.min()):.1f} dB, less than the {-stop:.0f} dB needed; "
            "give a longer or less noisy response"
        )
    steps = np.arange(first, last)
    slope = np.polyfit((steps - first) / sample_rate, curve[steps], 1)[0]
    return float(-60.0 / slope)


def reverberation_time(
    response: FloatArray,
    sample_rate: float,
    *,
    stop_db: float = -35.0,
    noise_from: int | None = None,
) -> FloatArray:
    """Reverberation time from the decay between -5 dB and `stop_db` (-35: T30, -25: T20).

    Parameters
    ----------
    response : (..., tap) FloatArray
    sample_rate : float
        Hz.
    stop_db : float
        Lower end of the line.
    noise_from : int, optional
        See `decay_curve_db`.

    Returns
    -------
    (...,) FloatArray
        s.

    Raises
    ------
    ValueError
        If a response does not decay far enough.

    References
    ----------
    ISO 3382-1:2009, 3.1.

    Examples
    --------
    >>> pulse = np.exp(-6.9078 * np.arange(48000) / 48000 / 0.8)
    >>> round(float(reverberation_time(pulse, 48000)), 3)
    0.8
    """
    curves = decay_curve_db(response, noise_from=noise_from)
    flat = curves.reshape(-1, curves.shape[-1])
    times = [_slope_time(curve, sample_rate, -5.0, stop_db) for curve in flat]
    return np.asarray(times).reshape(curves.shape[:-1])


def early_decay_time(response: FloatArray, sample_rate: float) -> FloatArray:
    """Early decay time in s: 60 dB at the slope of the first 10 dB (ISO 3382-1, A.2.2); (...,)."""
    begin = np.floor(onset_time(response, sample_rate) * sample_rate).astype(np.int64)
    flat = response.reshape(-1, response.shape[-1])
    starts = np.asarray(begin).reshape(-1)
    curves = [decay_curve_db(row[first:]) for row, first in zip(flat, starts, strict=True)]
    times = [_slope_time(curve, sample_rate, 0.0, -10.0) for curve in curves]
    return np.asarray(times).reshape(response.shape[:-1])


def clarity_db(
    response: FloatArray,
    sample_rate: float,
    *,
    limit: float = 0.080,
    onset: float | FloatArray | None = None,
) -> FloatArray:
    """Early-to-late energy in dB: C80, or C50 with `limit` 0.05 (ISO 3382-1, A.10); (...,)."""
    since = _since(response, sample_rate, onset)
    early = _between(response, since, -np.inf, limit)
    ratio: FloatArray = energy_db(early) - energy_db(_between(response, since, limit, np.inf))
    return ratio


def definition(
    response: FloatArray, sample_rate: float, *, onset: float | FloatArray | None = None
) -> FloatArray:
    """Share of the energy within 50 ms: D50 (ISO 3382-1, A.11); (...,)."""
    since = _since(response, sample_rate, onset)
    early = _between(response, since, -np.inf, 0.050)
    share: FloatArray = early / np.sum(np.square(response), axis=-1)
    return share


def strength_db(response: FloatArray) -> FloatArray:
    """Strength G in dB re 10 m in a free field (ISO 3382-1, A.2.1).

    The response's scale must give 1 at 1 m from the source; (...,).
    """
    level: FloatArray = energy_db(np.sum(np.square(response), axis=-1) / REFERENCE_ENERGY)
    return level


def direct_to_reverberant_db(
    response: FloatArray, sample_rate: float, *, onset: float | FloatArray | None = None
) -> FloatArray:
    """Energy within `DIRECT` of the direct sound against all later energy, dB; (...,)."""
    return clarity_db(response, sample_rate, limit=DIRECT, onset=onset)


def lateral_fraction(
    omni: FloatArray,
    sideways: FloatArray,
    sample_rate: float,
    *,
    onset: float | FloatArray | None = None,
) -> FloatArray:
    """Early lateral energy fraction J_LF (ISO 3382-1, A.12).

    Parameters
    ----------
    omni : (..., tap) FloatArray
        At an omnidirectional microphone.
    sideways : (..., tap) FloatArray
        At a figure-eight microphone whose null points at the source.
    sample_rate : float
        Hz.
    onset : float, optional
        Arrival of the direct sound, s.

    Returns
    -------
    (...,) FloatArray
        Sideways energy from 5 to 80 ms over omnidirectional energy from 0 to 80 ms.
    """
    since = _since(omni, sample_rate, onset)
    lateral = _between(sideways, since, 0.005, 0.080)
    fraction: FloatArray = lateral / _between(omni, since, -LEAD, 0.080)
    return fraction


def interaural_correlation(
    left: FloatArray,
    right: FloatArray,
    sample_rate: float,
    *,
    begin: float = 0.0,
    end: float = 0.080,
) -> float:
    """Interaural cross-correlation coefficient of one pair of ear responses.

    Parameters
    ----------
    left, right : (tap,) FloatArray
    sample_rate : float
        Hz.
    begin, end : float
        Window in s after the earlier direct sound (0 to 0.08: early; 0.08 to 1: late).

    Returns
    -------
    float
        Largest magnitude of the normalised correlation within 1 ms (ISO 3382-1, B.1).
    """
    start = min(onset_time(left, sample_rate), onset_time(right, sample_rate)) - LEAD
    first = max(0, int((start + begin) * sample_rate))
    last = int((start + LEAD + end) * sample_rate)
    one, other = left[first:last], right[first:last]
    lag = int(round(IACC_LAG * sample_rate))
    padded = np.pad(other, lag)
    products = np.correlate(padded, one, mode="valid")
    scale = np.sqrt(np.sum(np.square(one)) * np.sum(np.square(other)))
    return float(np.abs(products).max() / max(scale, 1e-300))
