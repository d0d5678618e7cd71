"""Where each track is heard: side and depth, from long-term covariances.

*Conventions*: energies are relative to the reference: a band counts by the track's importance in
it, so that the reference itself has energy 1. Angles in degrees, right positive. Arrays may hold
tracks or options of one track in their first axis.

`band_shares`: how much each band of a track counts. `Place`: the figures. `place`: Totals -> Place.

Sources
-------
Tangent law of amplitude panning, tan(phi) / tan(30 deg) = (gL - gR) / (gL + gR): Bernfeld (1973),
as in Pulkki (1997), J. Audio Eng. Soc. 45, 456.
Early against late at 80 ms: clarity C80, ISO 3382-1:2009 A.2.
Direct against all other energy at 6 ms: Bronkhorst & Houtgast (1999), Nature 397, 517 (from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from placer.cost import formulas
from placer.cost.formulas import TINY
from placer.cost.scene import Totals
from sim.decibel import FloatArray, energy_db

SPEAKER_TANGENT = float(np.tan(np.pi / 6.0))
"""Tangent of the +-30 degrees at which the loudspeakers stand."""

CLARITY_RANGE_DB = 30.0
"""Beyond this, early against late (or direct against the rest) is all or nothing, dB."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where tracks (or options of one track) are heard.

    Attributes
    ----------
    lateral_deg : (T,) -30 (left loudspeaker) to 30, from the early energy
    early_late_db : (T,) early against late energy
    drr_db : (T,) direct against all other energy
    early, late : (T,) energies relative to the reference
    mono_gain_db : (T,) energy of L + R over the energy of L and R: 3.01 for a centred track,
        0 for a decorrelated or one-sided one, less where it cancels
    """

    lateral_deg: FloatArray
    early_late_db: FloatArray
    drr_db: FloatArray
    early: FloatArray
    late: FloatArray
    mono_gain_db: FloatArray


def band_shares(importance: FloatArray, reference: Totals) -> FloatArray:
    """Weight of each band's plain energy in a track's figures.

    Parameters
    ----------
    importance : (T, B, F) FloatArray
        As in `Scene`.

    Returns
    -------
    (T, B) FloatArray
        Importance of the band over its energy in the reference, 0 where that is silent.
    """
    power = (reference.early + reference.late)[:, :2].sum(1)
    marginal = importance.sum(-1) * (power > 0.0)
    total = np.maximum(marginal.sum(-1, keepdims=True), TINY)
    shares: FloatArray = marginal / total / np.where(power > 0.0, power, 1.0)
    return shares


def lateral_deg(left: FloatArray, right: FloatArray) -> FloatArray:
    """Direction of a phantom source from the energies of two channels, degrees.

    Examples
    --------
    >>> float(lateral_deg(np.array(1.0), np.array(10 ** 0.6)).round(2))
    10.86
    """
    a, b = np.sqrt(left), np.sqrt(right)
    ratio = (b - a) / np.maximum(a + b, np.sqrt(TINY))
    degrees: FloatArray = np.degrees(np.arctan(SPEAKER_TANGENT * ratio))
    return degrees


def mono_gain_db(covariance: FloatArray) -> FloatArray:
    """Energy of the fold-down L + R over that of L and R, dB, from (..., 4) covariances."""
    power = covariance[..., 0] + covariance[..., 1]
    fold = np.maximum(power + 2.0 * covariance[..., 2], 0.0)
    gain: FloatArray = formulas.fold_db(fold, power)
    return gain


def place(totals: Totals, shares: FloatArray) -> Place:
    """Figures of tracks from their long-term covariances.

    Parameters
    ----------
    shares : (T, B) or (1, B) FloatArray
        From `band_shares`.
    """
    weights = np.broadcast_to(shares, (len(totals.early), totals.early.shape[-1]))
    near, far, first = (
        np.einsum("tcb,tb->tc", part, weights)
        for part in (totals.early, totals.late, totals.direct)
    )
    early, room = np.maximum(near[:, :2], 0.0), np.maximum(far[:, :2], 0.0).sum(1)
    direct = np.clip(first[:, :2].sum(1), 0.0, early.sum(1))
    return Place(
        lateral_deg=lateral_deg(early[:, 0], early[:, 1]),
        early_late_db=_ratio_db(early.sum(1), room),
        drr_db=_ratio_db(direct, early.sum(1) - direct + room),
        early=early.sum(1),
        late=room,
        mono_gain_db=mono_gain_db(near + far),
    )


def _ratio_db(part: FloatArray, rest: FloatArray) -> FloatArray:
    """One energy against another, dB, held to `CLARITY_RANGE_DB` either way."""
    ratio: FloatArray = np.clip(
        energy_db((part + TINY) / (rest + TINY)), -CLARITY_RANGE_DB, CLARITY_RANGE_DB
    )
    return ratio
