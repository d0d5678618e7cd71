"""Which placements a search may try for one track, and what each of them measures.

*Conventions*: option 0 is always the reference placement. What is proposed lies on the steps that a
hand sets (`GAIN_STEP_DB`, `PAN_STEP`, `WIDTH_STEP`), counted from the reference, inside the track's
limits and locks.

`around`: placements near one. `spread`: placements over all that a track may do. `changes`: how
many settings of a placement differ from the reference. `Heard`, `measure`: placements to energies.

Sources
-------
Steps of faders and knobs: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from placer.audio.loudness import (
    ABSOLUTE_GATE_LUFS,
    OFFSET_DB,
    RELATIVE_GATE_LU,
)
from placer.cue.records import OFF_DB, Placement, Track
from placer.placement.layout import Layout, covariance_weights, seat_side, stereo_matrices
from placer.placement.measured import Measured
from sim.decibel import FloatArray, energy

GAIN_STEP_DB, PAN_STEP, WIDTH_STEP = 1.0, 0.05, 0.1
"""What a hand sets: a decibel of a fader, 5 % of a pan, 10 % of a width."""

GAIN_MOVES_DB = (1.0, 2.0, 3.0, 5.0, 8.0)
PAN_MOVES = (0.05, 0.1, 0.2, 0.4)
WIDTH_MOVES = (0.1, 0.2, 0.4)
"""Changes of one setting that are tried around a placement, both ways."""

SHAPES_DB = (
    (8.0, 0.0, -3.0, -6.0),
    (6.0, 0.0, 0.0, 0.0),
    (3.0, 0.0, 0.0, -6.0),
    (0.0, 0.0, 3.0, 3.0),
    (-6.0, -2.0, 2.0, 4.0),
    (-12.0, -5.0, 0.0, 5.0),
)
"""Changes of a blend from nearer to farther, by place in the track's list of positions, dB."""

PAN_METRES = 5.0
"""Distance from usual seating that a full pan counts as, m (a matter of sense, no source)."""

Place = tuple[tuple[float, float] | None, bool]
"""A seat and whether the close position is aligned: what is measured apart."""


def place_of(placement: Placement) -> Place:
    """What of a placement is measured apart from the rest."""
    return placement.seat, placement.aligned


@dataclass(frozen=True, slots=True)
class Heard:
    """What placements of one track measure, set back to the track's reference loudness.

    Attributes
    ----------
    early, late : (n, 4, B, K) excitation coefficients on the track's templates, absolute
    totals : (3, n, 4, B) plain covariances of the whole, of its late and of its direct sound
    thirds : (n, 4, 11) plain covariances in the low thirds
    make_up_db : (n,) gain that set each back
    """

    early: FloatArray
    late: FloatArray
    totals: FloatArray
    thirds: FloatArray
    make_up_db: FloatArray


def gated(blocks: FloatArray) -> FloatArray:
    """Mean power of the blocks that pass both gates of BS.1770, (n, block) to (n,).

    0 where none does.
    """
    loud = blocks > float(energy(ABSOLUTE_GATE_LUFS - OFFSET_DB))
    loud &= blocks > float(energy(RELATIVE_GATE_LU)) * _mean_where(blocks, loud)[:, None]
    return _mean_where(blocks, loud)


def _mean_where(values: FloatArray, kept: np.ndarray) -> FloatArray:
    mean: FloatArray = (values * kept).sum(-1) / np.maximum(kept.sum(-1), 1)
    return mean


def measure(
    layout: Layout,
    places: Mapping[Place, Measured],
    placements: Sequence[Placement],
    power: float | None,
) -> Heard:
    """Energies of placements by quadratic forms.

    Parameters
    ----------
    places : mapping
        What has been measured at each place that the placements name.
    placements : sequence of Placement
    power : float or None
        Gated K-weighted power that every placement is set back to, before its own `trim_db`; None
        leaves all as they are.

    Raises
    ------
    KeyError
        A place that has not been measured.
    """
    weights = covariance_weights(matrices_of(layout, placements)).astype(np.float32)
    groups: dict[Place, list[int]] = {}
    for index, placement in enumerate(placements):
        groups.setdefault(place_of(placement), []).append(index)
    count = len(placements)
    parts = []
    for place, chosen in groups.items():
        one = places[place]
        forms = weights[chosen]
        # a fit on templates may fall below what energies can be; a mix of it may not
        early, late = (
            _possible(forms @ part.reshape(len(part), -1)).reshape(len(chosen), 4, *part.shape[1:])
            for part in (one.early, one.late)
        )
        totals = np.stack([forms @ total for total in one.totals])
        sides = forms[:, 0] + forms[:, 1]
        blocks = np.maximum(sides @ one.blocks, 0.0)
        parts.append((early, late, totals, forms @ one.thirds, gated(blocks)))
    order = np.argsort(np.concatenate(list(groups.values())), kind="stable")
    early, late, totals, thirds, loudness = (
        np.concatenate(found, axis=1 if index == 2 else 0).take(order, axis=1 if index == 2 else 0)
        for index, found in enumerate(zip(*parts, strict=True))
    )
    factor = np.ones(count)
    if power is not None:
        trims = energy(np.array([placement.trim_db for placement in placements]))
        # what rests throughout has nothing to be set back to
        factor = np.where(loudness > 1e-30, power * trims / np.maximum(loudness, 1e-30), 1.0)
    by = factor.astype(np.float32)
    return Heard(
        early=early * by[:, None, None, None],
        late=late * by[:, None, None, None],
        totals=_possible(totals * by[:, None, None]),
        thirds=_possible(thirds * by[:, None, None]),
        make_up_db=10.0 * np.log10(np.maximum(factor, 1e-30)),
    )


def _possible(covariances: FloatArray) -> FloatArray:
    """Covariances (..., 4, B) that two signals can have, where rounding missed that by a little."""
    energies = np.maximum(covariances[..., :2, :], 0.0)
    most = np.sqrt(energies[..., 0, :] * energies[..., 1, :])
    size = np.hypot(covariances[..., 2, :], covariances[..., 3, :])
    shrink = np.minimum(1.0, most / np.maximum(size, 1e-30))[..., None, :]
    possible: FloatArray = np.concatenate([energies, covariances[..., 2:, :] * shrink], axis=-2)
    return possible


def matrices_of(layout: Layout, placements: Sequence[Placement]) -> FloatArray:
    """Matrices (n, 2, channel) of placements."""
    rows = np.array([(*p.blend_db, p.pan, p.width, seat_side(p.seat)) for p in placements])
    return stereo_matrices(
        layout, rows[:, -1], blend_db=rows[:, :-3], pan=rows[:, -3], width=rows[:, -2]
    )


def seat_distances(track: Track, placements: Sequence[Placement]) -> FloatArray:
    """Distance from usual seating in m: of the seat, and `PAN_METRES` for a full pan."""
    start = track.start
    there = start.seat or (0.0, 0.0)
    seats = np.array([placement.seat or there for placement in placements])
    along = seats - np.array(there)
    pans = np.array([placement.pan for placement in placements]) - start.pan
    distances: FloatArray = np.sqrt(np.square(along).sum(1) + np.square(PAN_METRES * pans))
    return distances


def changes(track: Track, placement: Placement) -> int:
    """How many settings of a placement differ from the reference: each a move of a hand."""
    start = track.start
    blend = sum(a != b for a, b in zip(placement.blend_db, start.blend_db, strict=True))
    return (
        blend
        + (placement.seat != start.seat)
        + (placement.pan != start.pan)
        + (placement.width != start.width)
        + (placement.aligned != start.aligned)
    )


@dataclass(frozen=True, slots=True)
class Hand:
    """What a hand may set of one track: its limits and locks, and how far a gain may go.

    Attributes
    ----------
    track : Track
    most_gain_db : largest change of a position's gain
    """

    track: Track
    most_gain_db: float = 60.0

    def allowed(self, placement: Placement) -> Placement:
        """The placement on the steps of a hand, inside limits, with what is locked put back."""
        start, limits, locks = self.track.start, self.track.limits, self.track.locks
        return replace(
            placement,
            seat=start.seat if "seat" in locks else placement.seat,
            blend_db=start.blend_db if "blend" in locks else self._blend(placement.blend_db),
            pan=start.pan
            if "pan" in locks
            else _stepped(placement.pan, start.pan, PAN_STEP, limits.pan),
            width=start.width
            if "width" in locks
            else _stepped(placement.width, start.width, WIDTH_STEP, limits.width),
            aligned=start.aligned if "delay" in locks else placement.aligned,
            trim_db=placement.trim_db if self.track.free else start.trim_db,
        )

    def _blend(self, gains_db: Sequence[float]) -> tuple[float, ...]:
        """Gains in steps from the start; one that is off stays off or comes in at its least."""
        low, high = self.track.limits.gain_db
        found = []
        for gain, start in zip(gains_db, self.track.start.blend_db, strict=True):
            if gain <= OFF_DB:
                found.append(OFF_DB)
                continue
            base = start if start > OFF_DB else low
            span = (max(low, base - self.most_gain_db), min(high, base + self.most_gain_db))
            found.append(_stepped(gain, base, GAIN_STEP_DB, span))
        if all(gain <= OFF_DB for gain in found):
            return self.track.start.blend_db
        return tuple(found)


def _stepped(value: float, base: float, step: float, span: tuple[float, float]) -> float:
    """The value in whole steps from a base, inside a span."""
    low = -int((base - span[0]) / step + 1e-9)
    high = int((span[1] - base) / step + 1e-9)
    steps = max(low, min(high, round((value - base) / step)))
    return round(base + steps * step, 6)


def around(
    hand: Hand,
    centre: Placement,
    places: Sequence[Place],
    *,
    count: int,
    rng: np.random.Generator,
    single: Sequence[Placement] | None = None,
) -> list[Placement]:
    """Placements near one: every setting alone in every step, back to the start, then some at once.

    Parameters
    ----------
    places : sequence of Place
        That have been measured.
    count : int
        Placements wanted at the most.
    rng : numpy.random.Generator
    single : sequence of Placement, optional
        From `single_changes`, where it is known.

    Returns
    -------
    list of Placement
        The reference first, then the centre, each once.
    """
    start = hand.track.start
    found = dict.fromkeys((start, hand.allowed(centre)))
    single = single_changes(hand, centre, places) if single is None else single
    room = max(0, count - len(found))
    picked = rng.permutation(len(single))[: max(1, 2 * room // 3)]
    for index in picked:
        found.setdefault(single[index])
    for _ in range(room - len(picked)):
        one = centre
        for _ in range(int(rng.integers(2, 4))):
            one = _changed(hand, one, places, rng)
        found.setdefault(hand.allowed(one))
    return list(found)


def single_changes(hand: Hand, centre: Placement, places: Sequence[Place]) -> list[Placement]:
    """Every change of one setting that a hand may make, and each setting back at the start."""
    start = hand.track.start
    found = []
    for index, gain in enumerate(centre.blend_db):
        base = gain if gain > OFF_DB else hand.track.limits.gain_db[0]
        gains = [start.blend_db[index], OFF_DB]
        gains += [base + sign * step for step in GAIN_MOVES_DB for sign in (-1.0, 1.0)]
        found += [replace(centre, blend_db=_with(centre.blend_db, index, gain)) for gain in gains]
    pans = [start.pan, -centre.pan, *(centre.pan + s * m for m in PAN_MOVES for s in (-1.0, 1.0))]
    found += [replace(centre, pan=pan) for pan in pans]
    widths = [start.width, *(centre.width + s * m for m in WIDTH_MOVES for s in (-1.0, 1.0))]
    found += [replace(centre, width=width) for width in widths]
    found += [replace(centre, seat=seat, aligned=aligned) for seat, aligned in places]
    found += [replace(start, seat=centre.seat, aligned=centre.aligned)]
    return list(dict.fromkeys(map(hand.allowed, found)))


def _with(values: tuple[float, ...], index: int, value: float) -> tuple[float, ...]:
    return (*values[:index], value, *values[index + 1 :])


def _changed(
    hand: Hand, placement: Placement, places: Sequence[Place], rng: np.random.Generator
) -> Placement:
    """One setting changed at random."""
    positions = len(placement.blend_db)
    which = int(rng.integers(positions + 3))
    if which < positions:
        gain = placement.blend_db[which]
        base = gain if gain > OFF_DB else hand.track.limits.gain_db[0]
        gain = base + float(rng.choice([-1.0, 1.0])) * float(rng.choice(GAIN_MOVES_DB))
        return replace(placement, blend_db=_with(placement.blend_db, which, gain))
    if which == positions:
        return replace(placement, pan=placement.pan + float(rng.normal(0.0, 0.25)))
    if which == positions + 1:
        return replace(placement, width=placement.width + float(rng.normal(0.0, 0.2)))
    seat, aligned = places[int(rng.integers(len(places)))]
    return replace(placement, seat=seat, aligned=aligned)


def spread(
    hand: Hand, places: Sequence[Place], *, count: int, trim_db: float, rng: np.random.Generator
) -> list[Placement]:
    """Placements over all that a track may do: nearer, farther, to either side, at any place.

    Parameters
    ----------
    places : sequence of Place
        That have been measured.
    count : int
        Placements wanted, the reference included; a fixed track has one.
    trim_db : float
        How far a track's loudness may leave its reference.
    rng : numpy.random.Generator

    Returns
    -------
    list of Placement
        The reference first, each once.
    """
    start, limits = hand.track.start, hand.track.limits
    found = dict.fromkeys((start,))
    positions = len(start.blend_db)
    ends = len(SHAPES_DB[0])
    where = np.linspace(0, ends - 1, positions) if positions > 1 else np.zeros(1)
    shapes = [np.interp(where, np.arange(ends), shape) for shape in SHAPES_DB]
    base = np.where(np.array(start.blend_db) <= OFF_DB, limits.gain_db[0] - 3.0, start.blend_db)
    for _ in range(4 * count):
        if len(found) >= count:
            break
        seat, aligned = places[int(rng.integers(len(places)))]
        shape = shapes[int(rng.integers(len(shapes)))] * float(rng.integers(0, 3)) * 0.75
        noise = rng.normal(0.0, 2.0, positions) * (rng.random(positions) < 0.3)
        gains = base + shape + noise
        one = Placement(
            seat=seat,
            blend_db=tuple(np.where(gains < limits.gain_db[0] - 2.0, OFF_DB, gains).tolist()),
            pan=_pan(start, rng),
            width=start.width if rng.random() < 0.7 else float(rng.uniform(*limits.width)),
            aligned=aligned,
            trim_db=trim_db * float(rng.integers(-1, 2)),
        )
        found.setdefault(hand.allowed(one))
    return list(found)


def _pan(start: Placement, rng: np.random.Generator) -> float:
    """As it is, a little, or far to one side."""
    choice = int(rng.integers(4))
    if choice < 2:
        return start.pan
    if choice == 2:
        return start.pan + float(rng.uniform(-0.5, 0.5))
    return float(rng.choice([-1.0, 1.0]) * rng.uniform(0.4, 1.0))
