"""What depends on one track alone: its place, its own costs and violations.

*Conventions*: the first axis holds tracks, or options of one track; the formulas are the same, so
the table level works them out once for every option.

`Standard`: what tracks are compared against. `standard`: Scene -> Standard. `of_track`: one
track's part of it. `measure`: plain covariances -> Measured.

Sources: see `place`, `definition`, `mono`, `seating`, `limits`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from placer.cost.balance import lean_db
from placer.cost.definition import definition
from placer.cost.limits import side_violations, track_violations
from placer.cost.loudness import k_weighting
from placer.cost.low_weight import layer_change_db, layer_matters
from placer.cost.mono import SCALE_DB, track_loss_db
from placer.cost.place import Place, band_shares, place
from placer.cost.scene import BoolArray, Limits, Scene, Totals
from placer.cost.seating import seating
from sim.decibel import FloatArray, energy_db


@dataclass(frozen=True, slots=True)
class Standard:
    """What tracks are compared against.

    Attributes
    ----------
    shares : (T, B) from `place.band_shares`
    articulation : (T,) 0 to 1; movable : (T,) bool
    late_db, loudness_db, mono_gain_db, side_db, room_side_db : (T,) of the reference
    lows : (T, 4, 11) covariances of the reference; matters : (T, 11) from `layer_matters`
    k_weight : (B,); limits : Limits
    """

    shares: FloatArray
    articulation: FloatArray
    movable: BoolArray
    late_db: FloatArray
    loudness_db: FloatArray
    mono_gain_db: FloatArray
    side_db: FloatArray
    room_side_db: FloatArray
    lows: FloatArray
    matters: FloatArray
    k_weight: FloatArray
    limits: Limits


@dataclass(frozen=True, slots=True)
class Measured:
    """Place, costs, figures and violations of tracks, each (T,)."""

    where: Place
    costs: dict[str, FloatArray]
    figures: dict[str, FloatArray]
    violations: dict[str, FloatArray]


def levels_db(
    early: FloatArray, late: FloatArray, k_weight: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Late and K-weighted levels of tracks from (T, 4, B) covariances, dB, (T,) each."""
    both = (early + late)[:, :2].sum(1)
    return energy_db(late[:, :2].sum((1, 2))), energy_db(both @ k_weight)


def sides_db(
    early: FloatArray, late: FloatArray, k_weight: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Right against left of tracks and of their late energy, K-weighted, dB, (T,) each."""
    whole, room = (part[:, :2] @ k_weight for part in (early + late, late))
    return lean_db(whole[:, 0], whole[:, 1]), lean_db(room[:, 0], room[:, 1])


def standard(scene: Scene) -> Standard:
    """What tracks are compared against."""
    totals, k_weight = scene.reference, k_weighting(scene.centres)
    shares = band_shares(scene.importance, totals)
    late_db, loudness_db = levels_db(totals.early, totals.late, k_weight)
    side_db, room_side_db = sides_db(totals.early, totals.late, k_weight)
    return Standard(
        shares=shares,
        articulation=scene.articulation,
        movable=scene.movable,
        late_db=late_db,
        loudness_db=loudness_db,
        mono_gain_db=place(totals.early, totals.late, shares).mono_gain_db,
        side_db=side_db,
        room_side_db=room_side_db,
        lows=totals.thirds,
        matters=layer_matters(totals.thirds, totals.early, totals.late),
        k_weight=k_weight,
        limits=scene.limits,
    )


def of_track(whole: Standard, track: int) -> Standard:
    """The part of a standard that concerns one track, to measure its options against."""
    one = slice(track, track + 1)
    return Standard(
        shares=whole.shares[one],
        articulation=whole.articulation[one],
        movable=whole.movable[one],
        late_db=whole.late_db[one],
        loudness_db=whole.loudness_db[one],
        mono_gain_db=whole.mono_gain_db[one],
        side_db=whole.side_db[one],
        room_side_db=whole.room_side_db[one],
        lows=whole.lows[one],
        matters=whole.matters[one],
        k_weight=whole.k_weight,
        limits=whole.limits,
    )


def measure(
    totals: Totals, seats: FloatArray, against: Standard, *, lows_known: bool = True
) -> Measured:
    """Place, costs, figures and violations of tracks.

    Parameters
    ----------
    totals : Totals
    seats : (T,) FloatArray
        m from usual seating.
    against : Standard
        Of T tracks, or of the one track whose options these are.
    lows_known : bool
        Whether the thirds are exact; otherwise no track's lows are judged.

    Returns
    -------
    Measured
    """
    early, late = totals.early, totals.late
    where = place(early, late, against.shares)
    lows, matters = layer_change_db(totals.thirds, against.lows), against.matters * lows_known
    worst = (matters * np.abs(lows)).argmax(-1)[:, None]
    late_db, loudness_db = levels_db(early, late, against.k_weight)
    side_db, room_side_db = sides_db(early, late, against.k_weight)
    distance = np.asarray(seats, float)
    figures = {
        "late_change_db": late_db - against.late_db,
        "loudness_change_lu": loudness_db - against.loudness_db,
        "mono_loss_db": track_loss_db(where.mono_gain_db, against.mono_gain_db),
        "seating_m": distance,
        "side_db": side_db,
        "room_side_db": room_side_db,
        "layer_low_db": np.take_along_axis(lows * (matters > 0.0), worst, -1)[:, 0],
    }
    costs = {
        "definition": definition(where.early, where.late, against.articulation),
        "mono": figures["mono_loss_db"] / SCALE_DB,
        "seating": seating(distance),
    }
    broken = track_violations(
        figures["late_change_db"], figures["loudness_change_lu"], figures["mono_loss_db"],
        (lows, matters), against.limits,
    )  # fmt: skip
    broken |= side_violations(
        (side_db, against.side_db), (room_side_db, against.room_side_db), against.limits
    )
    return Measured(
        where=where,
        costs=costs,
        figures=figures,
        violations={name: np.where(against.movable, v, 0.0) for name, v in broken.items()},
    )
