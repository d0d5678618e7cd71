"""What depends on one track alone: its place, its own costs and violations.

*Conventions*: the first axis holds tracks, or options of one track; the formulas are the same, so
the table level works them out once for every option.

`Standard`: what tracks are compared against. `standard`: Scene -> Standard. `of_track`: one
track's part of it. `measure`: plain covariances -> TrackFigures.

How far a seat has left usual seating costs its squared distance over that of `SEAT_SCALE_M`; the
weight of that term in the cue file goes from 0 (whatever sounds clearest) to 1.

Sources: see `perceived_place`, `definition`, `mix_terms`, `limits`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from placer.audio.k_weighting import k_weighting_response
from placer.cost.definition import definition
from placer.cost.formulas import beyond, lean_db
from placer.cost.limits import LOUDNESS_SLACK_DB, share_violation, side_violation
from placer.cost.low_weight import layer_change_db, layer_matters
from placer.cost.mix_terms import FOLD_SCALE_DB, track_loss_db
from placer.cost.perceived_place import Place, band_shares, place
from placer.cost.scene import BoolArray, Limits, Scene, Totals
from placer.cost.tone import tone_change_db, tone_shares
from sim.decibel import FloatArray, energy_db

SEAT_SCALE_M = 4.0
"""Distance from usual seating that costs 1, m: about a section's width (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class Standard:
    """What tracks are compared against.

    Attributes
    ----------
    shares : (T, B) from `place.band_shares`
    articulation : (T,) 0 to 1; movable : (T,) bool
    loudness_db, mono_gain_db, drr_db, side_db, room_side_db : (T,) of the reference
    late : (T,) late energy of the reference; whole_late : of all its tracks
    power : (T, B) plain energies of the reference; tone : (T, B) from `tone.tone_shares`
    lows : (T, 4, 11) covariances of the reference; matters : (T, 11) from `layer_matters`
    k_weight : (B,); limits : Limits
    """

    shares: FloatArray
    articulation: FloatArray
    movable: BoolArray
    loudness_db: FloatArray
    mono_gain_db: FloatArray
    drr_db: FloatArray
    side_db: FloatArray
    room_side_db: FloatArray
    late: FloatArray
    whole_late: float
    power: FloatArray
    tone: FloatArray
    lows: FloatArray
    matters: FloatArray
    k_weight: FloatArray
    limits: Limits


@dataclass(frozen=True, slots=True)
class TrackFigures:
    """Place, costs, figures and violations of tracks, each (T,)."""

    where: Place
    costs: dict[str, FloatArray]
    figures: dict[str, FloatArray]
    violations: dict[str, FloatArray]


def sides_db(totals: Totals, k_weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Right against left of tracks and of their late energy, K-weighted, dB, (T,) each."""
    parts = (totals.early + totals.late, totals.late)
    whole, room = (part[:, :2] @ k_weight for part in parts)
    return lean_db(whole[:, 0], whole[:, 1]), lean_db(room[:, 0], room[:, 1])


def power(totals: Totals) -> FloatArray:
    """Plain band energies of tracks, (T, B)."""
    energies: FloatArray = (totals.early + totals.late)[:, :2].sum(1)
    return energies


def late_energy(totals: Totals) -> FloatArray:
    """Late energy of tracks, (T,)."""
    energies: FloatArray = totals.late[:, :2].sum((1, 2))
    return energies


def standard(scene: Scene) -> Standard:
    """What tracks are compared against."""
    totals, k_weight = scene.reference, k_weighting_response(scene.centres)
    shares = band_shares(scene.importance, totals)
    side_db, room_side_db = sides_db(totals, k_weight)
    where, energies, late = place(totals, shares), power(totals), late_energy(totals)
    return Standard(
        shares=shares,
        articulation=scene.articulation,
        movable=scene.movable,
        loudness_db=energy_db(energies @ k_weight),
        mono_gain_db=where.mono_gain_db,
        drr_db=where.drr_db,
        side_db=side_db,
        room_side_db=room_side_db,
        late=late,
        whole_late=float(late.sum()),
        power=energies,
        tone=tone_shares(energies, scene.centres),
        lows=totals.thirds,
        matters=layer_matters(totals.thirds, totals.early, totals.late),
        k_weight=k_weight,
        limits=scene.limits,
    )


PARTS = {"mono": 0.5}
"""Part of a term that the weighted mean of its tracks' costs makes, where that is not all of it."""

SHARED = ("whole_late", "k_weight", "limits")
"""Fields of `Standard` without an axis of tracks."""


def of_track(whole: Standard, track: int) -> Standard:
    """The part of a standard that concerns one track, to measure its options against."""
    own = [field.name for field in fields(whole) if field.name not in SHARED]
    return replace(whole, **{name: getattr(whole, name)[track : track + 1] for name in own})


def measure(totals: Totals, seats: FloatArray, against: Standard) -> TrackFigures:
    """Place, costs, figures and violations of tracks.

    Parameters
    ----------
    seats : (T,) FloatArray
        m from usual seating.
    against : Standard
        Of T tracks, or of the one track whose options these are.
    """
    where, limits = place(totals, against.shares), against.limits
    lows = layer_change_db(totals.thirds, against.lows)
    worst = (against.matters * np.abs(lows)).argmax(-1)[:, None]
    energies, late = power(totals), late_energy(totals)
    side_db, room_side_db = sides_db(totals, against.k_weight)
    mean_db, most_db = tone_change_db(energies, against.power, against.tone)
    figures = {
        "late_change_db": energy_db(late) - energy_db(against.late),
        "loudness_change_lu": energy_db(energies @ against.k_weight) - against.loudness_db,
        "mono_loss_db": track_loss_db(where.mono_gain_db, against.mono_gain_db),
        "side_db": side_db,
        "room_side_db": room_side_db,
        "layer_low_db": np.take_along_axis(lows * (against.matters > 0.0), worst, -1)[:, 0],
        "drr_db": where.drr_db,
        "drr_change_db": where.drr_db - against.drr_db,
        "tone_mean_db": mean_db,
        "tone_most_db": most_db,
    }
    costs = {
        "definition": definition(where.early, where.late, against.articulation),
        "mono": figures["mono_loss_db"] / FOLD_SCALE_DB,
        "seating": np.square(np.asarray(seats, float) / SEAT_SCALE_M),
    }
    louder = np.abs(figures["loudness_change_lu"])
    broken = {
        "drier": beyond(-figures["late_change_db"], limits.drier_db),
        "trim": beyond(louder, limits.trim_db + LOUDNESS_SLACK_DB),
        "mono": beyond(figures["mono_loss_db"], limits.mono_db),
        "layer lows": (against.matters * beyond(np.abs(lows), limits.layer_low_db)).sum(-1),
        "side": side_violation(side_db, against.side_db, limits.side_db),
        "room side": side_violation(room_side_db, against.room_side_db, limits.room_side_db),
        "room share": share_violation(late, against.late, against.whole_late, limits),
        "tone mean": beyond(mean_db, limits.tone_mean_db),
        "tone most": beyond(most_db, limits.tone_most_db),
    }
    return TrackFigures(
        where=where,
        costs=costs,
        figures=figures,
        violations={name: np.where(against.movable, v, 0.0) for name, v in broken.items()},
    )
