"""Which placements the search may choose from for one track, and what each of them measures.

*Conventions*: an option is a placement inside the track's limits and locks; option 0 is always the
reference placement. Gains are energies relative to the source's envelope, already set back to the
track's reference loudness; covariances are LL, RR, Re(L conj R), Im(L conj R).

`propose`: many placements over the whole allowed space. `nearby`: placements around one.
`measure`: placements to gains, by look-up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from placer.cue.records import OFF_DB, Placement, Track
from placer.placing.gating import placed_loudness
from placer.placing.layout import covariance_weights, stereo_matrix
from placer.placing.table import TrackTable
from placer.placing.totals import covariances, totals
from sim.decibel import FloatArray, energy

SHAPES_DB = (
    (0.0, -9.0, -12.0, -15.0),
    (0.0, -3.0, -6.0, -12.0),
    (-3.0, 0.0, -3.0, -9.0),
    (-9.0, 0.0, 0.0, -6.0),
    (-12.0, -6.0, 0.0, -3.0),
    (-15.0, -3.0, -3.0, 0.0),
    (-18.0, -12.0, -6.0, 0.0),
)
"""Starting blends from close-led to hall-led, by place in the track's list of positions."""


PAN_METRES = 5.0
"""Distance from usual seating that a full pan counts as, m (a matter of sense, no source)."""


@dataclass(frozen=True, slots=True)
class Options:
    """Placements of one track and what the table says of them.

    Attributes
    ----------
    placements : n placements, the reference first
    variants : (n,) index into the table's variants
    close_delay : (n,) s by which the close position is later
    early, late : (n, 4, 39) covariances relative to the source's excitation
    early_total, late_total : (n, 4, 39) of what the passage has in all, relative to its power
    thirds : (n, 4, 11) covariances relative to the source's third powers
    seating : (n,) m from the start seat
    make_up_db : (n,) gain that sets the track back to its reference loudness
    lows_known : whether the thirds are exact
    """

    placements: tuple[Placement, ...]
    variants: np.ndarray
    close_delay: FloatArray
    early: FloatArray
    late: FloatArray
    early_total: FloatArray
    late_total: FloatArray
    thirds: FloatArray
    seating: FloatArray
    make_up_db: FloatArray
    lows_known: bool = True


def _blend(track: Track, gains_db: FloatArray) -> tuple[float, ...]:
    """Gains inside the track's limits, loudest position at its start's loudest, half-dB steps."""
    if "blend" in track.locks:
        return track.start.blend_db
    top = max(track.start.blend_db)
    low, high = track.limits.gain_db
    raised = (gains_db - np.max(gains_db) + top).tolist()
    return tuple(
        OFF_DB if asked < low - 3.0 else _between(round(asked * 2.0) / 2.0, (low, high))
        for asked in raised
    )


def _between(value: float, limits: tuple[float, float]) -> float:
    """A value inside its limits: `numpy.clip` takes longer than all else here."""
    return float(min(max(value, limits[0]), limits[1]))


def _limited(track: Track, placement: Placement) -> Placement:
    """The placement with locked things put back and free ones inside their limits."""
    start, limits = track.start, track.limits
    return replace(
        placement,
        seat=start.seat if "seat" in track.locks else placement.seat,
        pan=start.pan if "pan" in track.locks else _between(round(placement.pan, 2), limits.pan),
        width=start.width
        if "width" in track.locks
        else _between(round(placement.width, 2), limits.width),
        aligned=start.aligned if "delay" in track.locks else placement.aligned,
    )


def propose(
    track: Track, table: TrackTable, *, count: int, trim_db: float, rng: np.random.Generator
) -> tuple[Placement, ...]:
    """Placements spread over everything the track may do.

    Parameters
    ----------
    track : Track
        Limits and locks.
    table : TrackTable
        Its variants are the seats and alignments on offer.
    count : int
        Options wanted, the reference included; a fixed track has one.
    trim_db : float
        How far a track's loudness may leave its reference.
    rng : numpy.random.Generator

    Returns
    -------
    tuple of Placement
        The reference first, without repetition.
    """
    if not track.free:
        return (track.start,)
    positions = len(track.positions)
    found = dict.fromkeys((track.start,))
    ends = len(SHAPES_DB[0])
    where = np.linspace(0, ends - 1, positions) if positions > 1 else np.zeros(1)
    shapes = [np.interp(where, np.arange(ends), shape) for shape in SHAPES_DB]
    for _ in range(count - 1):
        variant = table.variants[rng.integers(len(table.variants))]
        blend = shapes[rng.integers(len(shapes))] + rng.normal(0.0, 2.5, positions)
        pan = _pan_choice(track, rng)
        width = rng.choice([track.start.width, 1.0, rng.uniform(*track.limits.width)])
        placement = Placement(
            seat=variant.seat,
            blend_db=_blend(track, blend),
            pan=pan,
            width=float(width),
            aligned=variant.aligned,
            trim_db=trim_db * float(rng.integers(-1, 2)),
        )
        found.setdefault(_limited(track, placement))
    return tuple(found)


def _pan_choice(track: Track, rng: np.random.Generator) -> float:
    """As it is, anywhere, or far to one side."""
    choice = rng.integers(4)
    if choice < 2:
        return track.start.pan
    if choice == 2:
        return float(rng.uniform(-1.0, 1.0))
    return float(rng.choice([-1.0, 1.0]) * rng.uniform(0.6, 1.0))


def nearby(
    track: Track, table: TrackTable, centre: Placement, *, count: int, rng: np.random.Generator
) -> tuple[Placement, ...]:
    """Placements around one: the reference, the centre itself, then small changes of it.

    Returns
    -------
    tuple of Placement
        The reference first, the centre second (once where they are the same).
    """
    if not track.free:
        return (track.start,)
    found = dict.fromkeys((track.start, centre))
    seats = _near_seats(table, centre.seat)
    for _ in range(count - 2):
        spread = float(rng.choice([0.7, 1.5, 4.0]))
        change = rng.normal(0.0, spread, len(centre.blend_db)) * (
            rng.random(len(centre.blend_db)) < 0.6
        )
        base = np.where(
            np.array(centre.blend_db) <= OFF_DB, track.limits.gain_db[0] - 4.0, centre.blend_db
        )
        placement = Placement(
            seat=seats[rng.integers(len(seats))] if rng.random() < 0.4 else centre.seat,
            blend_db=_blend(track, base + change),
            pan=centre.pan + float(rng.normal(0.0, 0.15)) * (rng.random() < 0.5),
            width=centre.width + float(rng.normal(0.0, 0.1)) * (rng.random() < 0.3),
            aligned=centre.aligned ^ bool(rng.random() < 0.15),
            trim_db=centre.trim_db,
        )
        found.setdefault(_limited(track, placement))
    return tuple(found)


def _near_seats(
    table: TrackTable, seat: tuple[float, float] | None
) -> list[tuple[float, float] | None]:
    """The nine table seats nearest to one."""
    if seat is None:
        return [None]
    seats = {variant.seat for variant in table.variants if variant.seat is not None}
    near = sorted(seats, key=lambda s: (np.hypot(s[0] - seat[0], s[1] - seat[1]), s))
    return [*near[:9]]


def measure(track: Track, table: TrackTable, placements: tuple[Placement, ...]) -> Options:
    """Look up what placements measure.

    Parameters
    ----------
    track : Track
    table : TrackTable
    placements : tuple of Placement
        Every one is set back to the track's reference loudness plus its own `trim_db`.

    Returns
    -------
    Options
    """
    matrices = np.stack([stereo_matrix(table.layout, p) for p in placements])
    weights = covariance_weights(matrices).astype(np.float32)
    variants = table.find(placements)
    early, late, thirds = (
        covariances(weights, gram, variants) for gram in (table.early, table.late, table.thirds)
    )
    sides = weights[:, 0] + weights[:, 1]
    loudness = placed_loudness(table, sides, variants, (early, late))
    trims = energy(np.array([p.trim_db for p in placements]))
    # what rests throughout has nothing to be set back to
    factor = np.where(
        loudness > 1e-30, table.source.k_power * trims / np.maximum(loudness, 1e-30), 1.0
    )
    early_total, late_total = totals(table, weights, variants, (early, late))
    for part in {id(p): p for p in (early, late, early_total, late_total, thirds)}.values():
        part *= factor[:, None, None].astype(np.float32)
    return Options(
        placements=placements,
        variants=variants,
        close_delay=np.array([table.variants[v].close_delay for v in variants]),
        early=early,
        late=late,
        early_total=early_total,
        late_total=late_total,
        thirds=thirds,
        seating=seat_distances(track, placements),
        make_up_db=10.0 * np.log10(np.maximum(factor, 1e-30)),
        lows_known=table.heard is not None or table.recorded is not None,
    )


def seat_distances(track: Track, placements: tuple[Placement, ...]) -> FloatArray:
    """Distance from usual seating in m: of the seat, and `PAN_METRES` for a full pan."""
    start = track.start
    there = start.seat or (0.0, 0.0)
    seats = np.array([placement.seat or there for placement in placements])
    along = seats - np.array(there)
    pans = np.array([placement.pan for placement in placements]) - start.pan
    distances: FloatArray = np.sqrt(np.square(along).sum(1) + np.square(PAN_METRES * pans))
    return distances
