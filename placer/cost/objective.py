"""What one candidate costs, term by term and track by track (lower is better).

*Conventions*: `Cost.terms` are unweighted; the total is the weighted sum of the terms plus
`limits.PENALTY` times the violations in dB. Figures are in units a person knows.

`sounding`: coefficients on time templates -> Sounding. `start`: that of the reference.
`reference`: what candidates are compared against, worked out once.
`evaluate`: Sounding -> Cost, the same over templates and over all frames.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from placer.cost import formulas
from placer.cost.audibility import Audibility, audibility, audibility_cost
from placer.cost.limits import PENALTY, TOLERANCE_DB, whole_violations
from placer.cost.low_weight import low_change_db, low_weight, significance
from placer.cost.mix_terms import balance, loudness, missing_lu, mono
from placer.cost.overlap import Common, common, overlap
from placer.cost.scene import Envelopes, Scene, Sounding, Totals
from placer.cost.track_figures import Standard, TrackFigures, measure, standard
from placer.cost.whole import Whole, late_change_db, rows, whole
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
    common : Common
    margin_db : (T,) level of each track above its masked threshold
    """

    tracks: Standard
    mix: Whole
    significance: FloatArray
    common: Common
    margin_db: FloatArray


def sounding(
    envelopes: Envelopes,
    early: FloatArray,
    late: FloatArray,
    *,
    totals: Totals,
    seating: FloatArray,
) -> Sounding:
    """Sounding of a candidate from its coefficients.

    Parameters
    ----------
    early, late : (T, 4, B, K) FloatArray
        Coefficients on the templates.
    seating : (T,) FloatArray
        m from usual seating.

    """
    first, second = (
        np.einsum("tcbk,tbkf->tcbf", np.asarray(part, float), envelopes.templates)
        for part in (early, late)
    )
    return Sounding(early=first, late=second, totals=totals, seating=seating)


def start(scene: Scene, envelopes: Envelopes) -> Sounding:
    """Sounding of the reference over templates."""
    return sounding(
        envelopes, envelopes.early, envelopes.late,
        totals=scene.reference, seating=np.zeros(len(scene.names)),
    )  # fmt: skip


def reference(scene: Scene, start: Sounding) -> Reference:
    """What candidates are compared against.

    Parameters
    ----------
    start : Sounding
        Of the reference, over the frames of the candidates to come.
    """
    mix = whole(
        rows(scene.reference, np.zeros(len(scene.names)), scene.centres, scene.elsewhere).sum(0)
    )
    return Reference(
        tracks=standard(scene),
        mix=mix,
        significance=significance(mix.thirds),
        common=common(scene),
        margin_db=formulas.margin_db(audibility(scene, start.early, start.late).share),
    )


def evaluate(scene: Scene, sounding: Sounding, compared: Reference) -> Cost:
    """Cost of one candidate.

    Parameters
    ----------
    compared : Reference
        From `reference`, over the same frames.
    """
    own = measure(sounding.totals, sounding.seating, compared.tracks)
    heard = audibility(scene, sounding.early, sounding.late)
    crowded = overlap(own.where, compared.common)
    per_track = own.costs | {"audibility": 1.0 - heard.share, "overlap": crowded}
    mean = {name: float((scene.share * cost).sum()) for name, cost in per_track.items()}
    of_mix, figures, broken = _whole_mix(scene, sounding, compared, own)
    terms = mean | of_mix
    terms["audibility"] = audibility_cost(scene, heard.share, compared.margin_db)
    terms["seating"] = float(per_track["seating"].mean())
    violations, worst = (
        {name: float(over(v)) for name, v in own.violations.items()} | broken
        for over in (np.sum, np.max)
    )
    weighted = sum(getattr(scene.weights, name) * terms[name] for name in TERMS)
    return Cost(
        total=weighted + PENALTY * sum(violations.values()),
        terms={name: terms[name] for name in TERMS},
        per_track=per_track,
        figures=own.figures
        | figures
        | {
            "audible_share": heard.share,
            "margin_db": formulas.margin_db(heard.share),
            "lateral_deg": own.where.lateral_deg,
            "early_late_db": own.where.early_late_db,
        },
        violations=violations,
        worst=worst,
        feasible=all(value <= TOLERANCE_DB for value in worst.values()),
        heard=heard,
    )


def _whole_mix(
    scene: Scene, sounding: Sounding, compared: Reference, own: TrackFigures
) -> tuple[dict[str, float], dict[str, Any], dict[str, float]]:
    """Terms, figures and violations of the whole mix against the reference."""
    nearer, then = scene.share * own.figures["drr_change_db"], compared.mix
    now = whole(rows(sounding.totals, nearer, scene.centres, scene.elsewhere).sum(0))
    change, room = low_change_db(now.thirds, then.thirds), late_change_db(now, then)
    grown = max(now.loud, formulas.TINY) / max(then.loud, formulas.TINY)
    short = float(formulas.shortfall_lu(missing_lu(scene.loudness), grown))
    loss, low_loss = (
        float(formulas.fold_loss_db(new, old))
        for new, old in (
            (now.mono_gain_db, then.mono_gain_db),
            (now.low_mono_gain_db, then.low_mono_gain_db),
        )
    )
    terms = {
        "loudness": loudness(short),
        "low_weight": low_weight(change, compared.significance),
        "balance": balance(
            now.lean_db, now.low_lean_db, reference=(then.lean_db, then.low_lean_db)
        ),
        "mono": mono(float((scene.share * own.costs["mono"]).sum()), loss, low_loss),
    }
    figures = {
        "lean_db": now.lean_db,
        "whole_late_change_db": float(room[0]),
        "late_change_by_range_db": room,
    }
    broken = whole_violations(
        now, then, change, low_significance=compared.significance, limits=scene.limits
    )
    return terms, figures, broken
