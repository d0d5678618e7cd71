"""What one candidate costs, term by term and track by track (lower is better).

*Conventions*: `Cost.terms` are unweighted; the total is the weighted sum of the terms plus
`limits.PENALTY` times the violations in dB. Figures are in units a person knows.

`expand`: gains from the table and the sources' envelopes -> Sounding.
`reference`: what candidates are compared against, worked out once.
`evaluate`: Sounding -> Cost, the same for table and rendered audio.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from placer.cost.audibility import Audibility, audibility, audibility_cost, margin_db
from placer.cost.balance import balance
from placer.cost.limits import PENALTY, TOLERANCE_DB, whole_violations
from placer.cost.loudness import band_loss_db, k_weighting, loudness, sum_loss_db
from placer.cost.low_weight import low_change_db, low_weight, significance
from placer.cost.mono import mono, whole_loss_db
from placer.cost.overlap import overlap, shared
from placer.cost.scene import Envelopes, Scene, Sounding, Totals
from placer.cost.tracks import Measured, Standard, measure, standard
from placer.cost.whole import LATE, Whole, columns, late_change_db, rows, whole
from sim.decibel import FloatArray

TERMS = (
    "audibility", "definition", "overlap", "loudness", "low_weight", "balance", "mono", "seating",
)  # fmt: skip
"""Names of the terms, as in `Weights`."""


@dataclass(frozen=True, slots=True)
class Cost:
    """What a candidate costs.

    Attributes
    ----------
    total : lower is better
    terms : unweighted cost of each of `TERMS`
    per_track : unweighted cost a track, (T,), of the terms that have one
    figures : what a person reads: (T,) arrays and single numbers, unit in the name
    violations : dB beyond each limit, summed over tracks or bands; 0 where it holds
    worst : the same of the one track that breaks a limit most, not summed over tracks
    feasible : nothing misses a limit by more than `TOLERANCE_DB`, however many tracks there are
    heard : details of audibility, among them who hides whom
    """

    total: float
    terms: dict[str, float]
    per_track: dict[str, FloatArray]
    figures: dict[str, Any]
    violations: dict[str, float]
    worst: dict[str, float]
    feasible: bool
    heard: Audibility


@dataclass(frozen=True, slots=True)
class Reference:
    """What candidates are compared against.

    Attributes
    ----------
    tracks : Standard; mix : Whole; significance : (11,) of the low thirds
    common : (T, T) from `overlap.shared`
    """

    tracks: Standard
    mix: Whole
    significance: FloatArray
    common: FloatArray


def expand(
    envelopes: Envelopes,
    early_gain: FloatArray,
    late_gain: FloatArray,
    *,
    thirds_gain: FloatArray,
    seating: FloatArray,
) -> Sounding:
    """Sounding of a candidate at the table level: one gain a band, the envelope in time.

    Parameters
    ----------
    envelopes : Envelopes
    early_gain, late_gain : (T, 4, B) FloatArray
        Covariances per unit source energy.
    thirds_gain : (T, 4, 11) FloatArray
        Early and late together.
    seating : (T,) FloatArray
        m from usual seating.

    Returns
    -------
    Sounding
    """
    return Sounding(
        early=early_gain[..., None] * envelopes.early[:, None],
        late=late_gain[..., None] * envelopes.late[:, None],
        totals=Totals(
            early=early_gain * envelopes.power[:, None],
            late=late_gain * envelopes.power[:, None],
            thirds=thirds_gain * envelopes.third_power[:, None],
        ),
        seating=seating,
    )


def reference(scene: Scene) -> Reference:
    """What candidates are compared against."""
    mix = whole(reference_row(scene))
    return Reference(
        tracks=standard(scene),
        mix=mix,
        significance=significance(mix.thirds),
        common=shared(scene.importance, scene.group),
    )


def evaluate(scene: Scene, sounding: Sounding, compared: Reference | None = None) -> Cost:
    """Cost of one candidate.

    Parameters
    ----------
    scene : Scene
    sounding : Sounding
        From the table (`expand`) or from rendered audio.
    compared : Reference, optional
        From `reference(scene)`, to save working it out again.

    Returns
    -------
    Cost
    """
    compared = compared or reference(scene)
    totals = sounding.totals
    own = measure(totals, sounding.seating, compared.tracks)
    heard = audibility(scene, sounding.early, sounding.late)
    crowded = overlap(own.where, compared.common)
    per_track = own.costs | {"audibility": 1.0 - heard.share, "overlap": crowded}
    share = scene.weight / scene.weight.sum()
    mean = {name: float((share * cost).sum()) for name, cost in per_track.items()}
    mix = _mix_terms(scene, sounding, compared)
    terms = {
        "audibility": audibility_cost(heard.share, scene.weight),
        "definition": mean["definition"],
        "overlap": mean["overlap"],
        "loudness": loudness(sounding.shortfall_lu, mix.figures["sum_loss_db"]),
        "low_weight": mix.low_weight,
        "balance": mix.balance,
        "mono": mono(mean["mono"], *mix.fold_loss),
        "seating": float(per_track["seating"].mean()),
    }
    violations, worst = (
        {name: float(over(v)) for name, v in own.violations.items()} | mix.violations
        for over in (np.sum, np.max)
    )
    weighted = sum(getattr(scene.weights, name) * terms[name] for name in TERMS)
    return Cost(
        total=weighted + PENALTY * sum(violations.values()),
        terms=terms,
        per_track=per_track,
        figures=_track_figures(heard, own) | mix.figures,
        violations=violations,
        worst=worst,
        feasible=all(value <= TOLERANCE_DB for value in worst.values()),
        heard=heard,
    )


@dataclass(frozen=True, slots=True)
class _Mix:
    """Terms, figures and violations of the whole mix."""

    low_weight: float
    balance: float
    fold_loss: tuple[float, float]
    figures: dict[str, Any]
    violations: dict[str, float]


def _mix_terms(scene: Scene, sounding: Sounding, compared: Reference) -> _Mix:
    """Whole mix against the reference; of the real sum where it is known."""
    then = compared.mix
    now, lost = _whole_mix(scene, sounding)
    change, room = low_change_db(now.thirds, then.thirds), late_change_db(now, then)
    figures = {
        "low_change_db": change,
        "lean_db": now.lean_db,
        "low_lean_db": now.low_lean_db,
        "whole_late_change_db": float(room[0]),
        "late_change_by_range_db": room,
        "whole_mono_change_db": now.mono_gain_db - then.mono_gain_db,
        "low_mono_change_db": now.low_mono_gain_db - then.low_mono_gain_db,
        "shortfall_lu": sounding.shortfall_lu,
        "sum_loss_db": lost,
    }
    leaned = (then.lean_db, then.low_lean_db)
    return _Mix(
        low_weight=low_weight(change, compared.significance),
        balance=balance(now.lean_db, now.low_lean_db, reference=leaned),
        fold_loss=(
            whole_loss_db(now.mono_gain_db, then.mono_gain_db),
            whole_loss_db(now.low_mono_gain_db, then.low_mono_gain_db),
        ),
        figures=figures,
        violations=whole_violations(
            now, then, change, low_significance=compared.significance, limits=scene.limits
        ),
    )


def _whole_mix(scene: Scene, sounding: Sounding) -> tuple[Whole, float]:
    """Figures of the mix, and dB that the sum loses against its tracks' energies."""
    totals, now = sounding.totals, whole(mix_row(scene, sounding))
    if sounding.mix is None:
        return now, 0.0
    weight = k_weighting(scene.centres)
    separate = (totals.early + totals.late)[:, :2].sum((0, 1))
    loss = band_loss_db(separate, sounding.mix[:2].sum(0))
    before = np.zeros_like(loss)
    if scene.reference_mix is not None:
        first = (scene.reference.early + scene.reference.late)[:, :2].sum((0, 1))
        before = band_loss_db(first, scene.reference_mix[:2].sum(0))
    return now, sum_loss_db(loss, weight * separate, before)


def mix_row(scene: Scene, sounding: Sounding) -> FloatArray:
    """Summable figures (20,) of a whole mix (`whole.COLUMNS`), of its real sum where known."""
    return _real_row(scene, sounding.totals, sounding.mix, sounding.mix_thirds)


def reference_row(scene: Scene) -> FloatArray:
    """The same of the reference."""
    return _real_row(scene, scene.reference, scene.reference_mix, scene.reference_mix_thirds)


def _real_row(
    scene: Scene, totals: Totals, mix: FloatArray | None, thirds: FloatArray | None
) -> FloatArray:
    row: FloatArray = rows(totals.early, totals.late, totals.thirds, scene.centres).sum(0)
    if mix is None or thirds is None:
        return row
    return np.append(row[:LATE], columns(mix, thirds, k_weighting(scene.centres)))


def _track_figures(heard: Audibility, own: Measured) -> dict[str, FloatArray]:
    """Per-track figures in units a person knows."""
    return own.figures | {
        "audible_share": heard.share,
        "margin_db": margin_db(heard.share),
        "lateral_deg": own.where.lateral_deg,
        "early_late_db": own.where.early_late_db,
        "mono_gain_db": own.where.mono_gain_db,
    }
