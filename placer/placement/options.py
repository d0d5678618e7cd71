"""Which placements a search may try for one track, and what each of them measures.

*Conventions*: option 0 is always the reference placement. What is proposed lies on the steps that a
hand sets (`GAIN_STEP_DB`, `PAN_STEP`, `WIDTH_STEP`), counted from the reference, inside the track's
limits and locks. Many placements of one track are rows of one array: the gain of each position in
dB, then pan, width and trim.

`Settings`: placements as rows. `TrackSteps`: limits and locks of a track. `around`: placements near
one. `spread`: placements over all that a track may do. `simpler`: a placement with one setting back
at the reference. `followed`: the same changes on another track. `changes`: how many settings differ
from the reference. `PlacementFigures`, `measure`: placements to energies.

Sources
-------
Steps of faders and knobs: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np

from placer.audio.loudness import ABSOLUTE_GATE_LUFS, OFFSET_DB, RELATIVE_GATE_LU
from placer.cue.records import OFF_DB, Placement, Track
from placer.placement.layout import Layout, covariance_weights, seat_side, stereo_matrices
from placer.placement.measured import Measured
from placer.precision import product
from sim.decibel import FloatArray, energy

IntArray = np.ndarray

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


@dataclass(frozen=True, slots=True, eq=False)
class Settings(Sequence[Placement]):
    """Placements of one track as rows of an array.

    Attributes
    ----------
    values : (n, positions + 3) gain of each position in dB, pan, width, trim in dB
    place : (n,) number of each row's place
    places : places that the numbers stand for
    """

    values: FloatArray
    place: IntArray
    places: tuple[Place, ...]

    def __len__(self) -> int:
        return len(self.place)

    @overload
    def __getitem__(self, index: int) -> Placement: ...

    @overload
    def __getitem__(self, index: slice) -> Settings: ...

    def __getitem__(self, index: int | slice) -> Placement | Settings:
        if isinstance(index, slice):
            return self.take(index)
        *blend_db, pan, width, trim_db = self.values[index].tolist()
        seat, aligned = self.places[int(self.place[index])]
        return Placement(seat, tuple(blend_db), pan, width, aligned, trim_db)

    def __iter__(self) -> Iterator[Placement]:
        return (self[index] for index in range(len(self)))

    def take(self, rows: IntArray | slice) -> Settings:
        """Some of the rows."""
        return Settings(self.values[rows], self.place[rows], self.places)

    def find(self, placement: Placement) -> IntArray:
        """Numbers of the rows (k,) that are a placement."""
        one = (*placement.blend_db, placement.pan, placement.width, placement.trim_db)
        place = [place_of(placement) == place for place in self.places]
        same = np.array(place, dtype=bool)[self.place]
        found: IntArray = np.flatnonzero(same & (self.values == np.array(one)).all(1))
        return found


def settings_of(placements: Sequence[Placement]) -> Settings:
    """Placements of one track as rows, in their order."""
    if isinstance(placements, Settings):
        return placements
    places = {
        place: number for number, place in enumerate(dict.fromkeys(map(place_of, placements)))
    }
    return Settings(
        np.array([(*p.blend_db, p.pan, p.width, p.trim_db) for p in placements], float),
        np.array([places[place_of(one)] for one in placements], dtype=np.int64),
        tuple(places),
    )


def in_places(placement: Placement, places: Sequence[Place]) -> Settings:
    """One placement as a row beside places that it names one of.

    Raises
    ------
    ValueError
        It stands at another place.
    """
    number = list(places).index(place_of(placement))
    return Settings(settings_of((placement,)).values, np.array([number]), tuple(places))


def joined(*parts: Settings) -> Settings:
    """Rows of settings with the same places, one after the other."""
    return Settings(
        np.concatenate([one.values for one in parts]),
        np.concatenate([one.place for one in parts]),
        parts[0].places,
    )


def row_keys(*columns: np.ndarray) -> list[bytes]:
    """A key for each row of columns (n,) or (n, k) side by side: alike where the numbers are.

    Examples
    --------
    >>> one, other, third = row_keys(np.array([0.0, -0.0, 1.0]), np.array([2, 2, 2]))
    >>> one == other, one == third
    (True, False)
    """
    rows = np.column_stack(columns) + 0.0  # no zero has a sign
    keys: list[bytes] = rows.view(f"V{rows.shape[1] * rows.itemsize}").ravel().tolist()
    return keys


def first_rows(*settings: Settings) -> IntArray:
    """Numbers (k,) of the rows that stand for the first time, of settings side by side."""
    columns = [part for one in settings for part in (one.values, one.place)]
    first: dict[bytes, int] = {}
    for number, key in enumerate(row_keys(*columns)):
        first.setdefault(key, number)
    return np.fromiter(first.values(), dtype=np.int64)


def distinct(*parts: Settings) -> Settings:
    """Rows of settings with the same places in their order, each once."""
    every = joined(*parts)
    return every.take(first_rows(every))


@dataclass(frozen=True, slots=True)
class PlacementFigures:
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


def gated_power(blocks: FloatArray) -> FloatArray:
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
    layout: Layout, places: Mapping[Place, Measured], placements: Sequence[Placement], power: float
) -> PlacementFigures:
    """Energies of placements by quadratic forms.

    Parameters
    ----------
    places : mapping
        What has been measured at each place that the placements name.
    power : float
        Gated K-weighted power that every placement is set back to, before its own `trim_db`.

    Raises
    ------
    KeyError
        A place that has not been measured.
    """
    settings = settings_of(placements)
    weights = covariance_weights(matrices_of(layout, settings)).astype(np.float32)
    groups = {
        settings.places[number]: np.flatnonzero(settings.place == number)
        for number in np.unique(settings.place)
    }
    parts = []
    for place, chosen in groups.items():
        one = places[place]
        forms = weights[chosen]
        # a fit on templates may fall below what energies can be; a mix of it may not
        early, late = (
            _possible(product(forms, part.reshape(len(part), -1))).reshape(
                len(chosen), 4, *part.shape[1:]
            )
            for part in (one.early, one.late)
        )
        totals = np.stack([product(forms, total) for total in one.totals])
        sides = forms[:, 0] + forms[:, 1]
        blocks = np.maximum(np.asarray(sides, float) @ one.blocks, 0.0)
        parts.append((early, late, totals, product(forms, one.thirds), gated_power(blocks)))
    order = np.argsort(np.concatenate(list(groups.values())), kind="stable")
    early, late, totals, thirds, loudness = (
        np.concatenate(found, axis=1 if index == 2 else 0).take(order, axis=1 if index == 2 else 0)
        for index, found in enumerate(zip(*parts, strict=True))
    )
    trims = energy(settings.values[:, -1])
    # what rests throughout has nothing to be set back to
    factor = np.where(loudness > 1e-30, power * trims / np.maximum(loudness, 1e-30), 1.0)
    by = factor.astype(np.float32)
    return PlacementFigures(
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
    size = np.sqrt(np.square(covariances[..., 2:, :], dtype=float).sum(-2))
    shrink = np.minimum(1.0, most / np.maximum(size, 1e-30)).astype(covariances.dtype)
    possible: FloatArray = np.concatenate(
        [energies, covariances[..., 2:, :] * shrink[..., None, :]], axis=-2
    )
    return possible


def matrices_of(layout: Layout, settings: Settings) -> FloatArray:
    """Matrices (n, 2, channel) of placements."""
    sides = np.array([seat_side(seat) for seat, _ in settings.places])
    return stereo_matrices(
        layout,
        sides[settings.place],
        blend_db=settings.values[:, :-3],
        pan=settings.values[:, -3],
        width=settings.values[:, -2],
    )


def seat_distances(track: Track, placements: Sequence[Placement]) -> FloatArray:
    """Distance from usual seating in m: of the seat, and `PAN_METRES` for a full pan."""
    settings, start = settings_of(placements), track.start
    there = start.seat or (0.0, 0.0)
    seats = np.array([seat or there for seat, _ in settings.places])
    along = (seats - np.array(there))[settings.place]
    pans = settings.values[:, -3] - start.pan
    distances: FloatArray = np.sqrt(np.square(along).sum(1) + np.square(PAN_METRES * pans))
    return distances


def changes(track: Track, placements: Sequence[Placement]) -> IntArray:
    """How many settings (n,) of placements differ from the reference: each a move of a hand.

    Trim is not one: the tool makes up for it.
    """
    settings, start = settings_of(placements), track.start
    first = np.array([*start.blend_db, start.pan, start.width])
    moved = np.array(
        [(seat != start.seat) + (aligned != start.aligned) for seat, aligned in settings.places]
    )
    counts: IntArray = (settings.values[:, :-1] != first).sum(1) + moved[settings.place]
    return counts


class TrackSteps:
    """What a hand may set of one track: its limits and locks, and how far a gain may go.

    Parameters
    ----------
    track : Track
    most_gain_db : largest change of a position's gain

    Attributes
    ----------
    start : (positions + 3,) its reference as a row
    base : (positions + 2,) what steps are counted from: the reference, or its least gain for a
        position that is off there
    """

    def __init__(self, track: Track, most_gain_db: float = 60.0) -> None:
        start, limits, locks = track.start, track.limits, track.locks
        count, (low, high) = len(start.blend_db), limits.gain_db
        gains = np.array([gain if gain > OFF_DB else low for gain in start.blend_db])
        base = np.array([*gains, start.pan, start.width])
        step = np.array([GAIN_STEP_DB] * count + [PAN_STEP, WIDTH_STEP])
        least = [*np.maximum(low, gains - most_gain_db), limits.pan[0], limits.width[0]]
        most = [*np.minimum(high, gains + most_gain_db), limits.pan[1], limits.width[1]]
        span = np.array(
            [-np.trunc((base - least) / step + 1e-9), np.trunc((most - base) / step + 1e-9)]
        )
        span[:, -2:] *= ["pan" not in locks, "width" not in locks]
        self.track, self.base, self._step, self._span = track, base, step, span
        self.start = np.array([*start.blend_db, start.pan, start.width, start.trim_db])

    def allowed(self, settings: Settings) -> Settings:
        """Rows on the steps of a hand, inside limits, with what is locked put back."""
        values, base = settings.values, self.base
        steps = np.clip(np.round((values[:, :-1] - base) / self._step), *self._span)
        found = np.empty_like(values)
        found[:, :-1] = np.where(steps == 0.0, base, np.round(base + steps * self._step, 6))
        found[:, -1] = values[:, -1] if self.track.free else self.start[-1]
        gains = found[:, :-3]
        gains[values[:, :-3] <= OFF_DB] = OFF_DB
        if "blend" in self.track.locks:
            gains[:] = self.start[:-3]
        gains[(gains <= OFF_DB).all(1)] = self.start[:-3]
        return Settings(found, self._held(settings.places)[settings.place], settings.places)

    def _held(self, places: Sequence[Place]) -> IntArray:
        """For each place the number of the one that locks leave of it; else of the start's."""
        start, locks = self.track.start, self.track.locks
        number: dict[Place, int] = {}
        for index, place in enumerate(places):
            number.setdefault(place, index)
        wanted = [
            (
                start.seat if "seat" in locks else seat,
                start.aligned if "delay" in locks else aligned,
            )
            for seat, aligned in places
        ]
        own = number[place_of(start)]
        return np.array([number.get(one, own) for one in wanted], dtype=np.int64)


def around(
    hand: TrackSteps,
    centre: Settings,
    *,
    count: int,
    rng: np.random.Generator,
    single: Settings | None = None,
) -> Settings:
    """Placements near one: every setting alone in every step, back to the start, then some at once.

    Parameters
    ----------
    centre : Settings
        One row, and the places that have been measured, the start's among them.
    count : int
        Placements wanted at the most.
    single : Settings, optional
        From `single_changes`, where it is known.

    Returns
    -------
    Settings
        The reference first, then the centre, each once.
    """
    found = distinct(in_places(hand.track.start, centre.places), hand.allowed(centre))
    single = single_changes(hand, centre) if single is None else single
    room = max(0, count - len(found))
    picked = rng.permutation(len(single))[: max(1, 2 * room // 3)]
    several = hand.allowed(_changed(hand, centre, room - len(picked), rng))
    return distinct(found, single.take(picked), several)


def single_changes(hand: TrackSteps, centre: Settings) -> Settings:
    """Every change of one setting that a hand may make, and each setting back at the start."""
    row, start = centre.values[0], hand.start
    rows = []
    for column in range(len(row) - 1):
        some = _values_of(hand, row, column)
        part = np.repeat(row[None], len(some), axis=0)
        part[:, column] = some
        rows.append(part)
    values = np.concatenate(rows)
    every = np.arange(len(centre.places))
    back = np.concatenate([start[:-1], row[-1:]])
    found = Settings(
        np.concatenate([values, np.repeat(row[None], len(every), axis=0), back[None]]),
        np.concatenate([np.repeat(centre.place, len(values)), every, centre.place]),
        centre.places,
    )
    return distinct(hand.allowed(found))


def changed_twice(
    hand: TrackSteps, centre: Settings, first: Settings, second: Settings
) -> Settings:
    """Every change of one list together with every change of another, inside limits, each once.

    Parameters
    ----------
    centre : Settings
        One row: what the changes are counted from.
    first, second : Settings
        Rows with the places of the centre. Where both change the same setting, the first holds.
    """
    row, place = centre.values[0], int(centre.place[0])
    one, two = (
        np.repeat(np.arange(len(first)), len(second)),
        np.tile(np.arange(len(second)), len(first)),
    )
    a, b = first.take(one), second.take(two)
    values = np.where(a.values != row, a.values, b.values)
    places = np.where(a.place != place, a.place, b.place)
    return distinct(hand.allowed(Settings(values, places, centre.places)))


def _values_of(hand: TrackSteps, row: FloatArray, column: int) -> list[float]:
    """Values that one setting of a row may take, with its own value at the start first."""
    value, start = float(row[column]), float(hand.start[column])
    kind = column - (len(row) - 3)
    if kind < 0:
        base = value if value > OFF_DB else hand.track.limits.gain_db[0]
        moves = GAIN_MOVES_DB
        return [start, OFF_DB, *(base + sign * step for step in moves for sign in (-1.0, 1.0))]
    if kind == 0:
        return [start, -value, *(value + sign * step for step in PAN_MOVES for sign in (-1.0, 1.0))]
    return [start, *(value + sign * step for step in WIDTH_MOVES for sign in (-1.0, 1.0))]


def _changed(hand: TrackSteps, centre: Settings, count: int, rng: np.random.Generator) -> Settings:
    """Rows with two or three settings changed at random."""
    values = np.repeat(centre.values, count, axis=0)
    place = np.repeat(centre.place, count)
    positions, every = values.shape[1] - 3, np.arange(count)
    for number in range(3):
        acts = np.ones(count, dtype=bool) if number < 2 else rng.random(count) < 0.5
        which = rng.integers(positions + 3, size=count)
        gain = acts & (which < positions)
        rows, columns = every[gain], which[gain]
        old = values[rows, columns]
        base = np.where(old > OFF_DB, old, hand.track.limits.gain_db[0])
        by = rng.choice([-1.0, 1.0], size=count) * rng.choice(GAIN_MOVES_DB, size=count)
        values[rows, columns] = base + by[gain]
        pans, widths = rng.normal(0.0, 0.25, count), rng.normal(0.0, 0.2, count)
        values[:, -3] += np.where(acts & (which == positions), pans, 0.0)
        values[:, -2] += np.where(acts & (which == positions + 1), widths, 0.0)
        other = rng.integers(len(centre.places), size=count)
        place = np.where(acts & (which == positions + 2), other, place)
    return Settings(values, place, centre.places)


def spread(
    hand: TrackSteps,
    places: Sequence[Place],
    *,
    count: int,
    trim_db: float,
    rng: np.random.Generator,
) -> Settings:
    """Placements over all that a track may do: nearer, farther, to either side, at any place.

    Parameters
    ----------
    places : sequence of Place
        That have been measured, the start's among them.
    count : int
        Placements wanted, the reference included; a track that may not move has one.
    trim_db : float
        How far a track's loudness may leave its reference.

    Returns
    -------
    Settings
        The reference first, each once.
    """
    start, limits, drawn = hand.track.start, hand.track.limits, 2 * count
    positions, ends = len(start.blend_db), len(SHAPES_DB[0])
    where = np.linspace(0, ends - 1, positions) if positions > 1 else np.zeros(1)
    shapes = np.array([np.interp(where, np.arange(ends), shape) for shape in SHAPES_DB])
    base = np.where(hand.start[:-3] <= OFF_DB, limits.gain_db[0] - 3.0, hand.start[:-3])
    size = rng.integers(0, 3, size=drawn) * 0.75
    gains = base + shapes[rng.integers(len(shapes), size=drawn)] * size[:, None]
    some = rng.random((drawn, positions)) < 0.3
    gains += np.where(some, rng.normal(0.0, 2.0, (drawn, positions)), 0.0)
    gains[gains < limits.gain_db[0] - 2.0] = OFF_DB
    widths = rng.uniform(*limits.width, size=drawn)
    values = np.column_stack(
        [
            gains,
            _pans(start.pan, drawn, rng),
            np.where(rng.random(drawn) < 0.7, start.width, widths),
            trim_db * rng.integers(-1, 2, size=drawn),
        ]
    )
    place = rng.integers(len(places), size=drawn)
    every = hand.allowed(Settings(values, place, tuple(places)))
    return distinct(in_places(hand.track.start, places), every).take(slice(0, count))


def _pans(start: float, count: int, rng: np.random.Generator) -> FloatArray:
    """As it is, a little, or far to one side."""
    choice = rng.integers(4, size=count)
    little = start + rng.uniform(-0.5, 0.5, size=count)
    far = rng.choice([-1.0, 1.0], size=count) * rng.uniform(0.4, 1.0, size=count)
    pans: FloatArray = np.where(choice < 2, start, np.where(choice == 2, little, far))
    return pans


def simpler(hand: TrackSteps, centre: Settings) -> Settings:
    """The reference, a placement, and that with each of its settings at the reference, each once.

    Parameters
    ----------
    centre : Settings
        One row, and the places that have been measured.
    """
    row, start = centre.values[0], hand.track.start
    columns = np.flatnonzero(row != hand.start)
    values = np.repeat(row[None], len(columns), axis=0)
    values[np.arange(len(columns)), columns] = hand.start[columns]
    seat, aligned = centre.places[int(centre.place[0])]
    backs = [
        back for back in ((start.seat, aligned), (seat, start.aligned)) if back != (seat, aligned)
    ]
    others = [centre.places.index(back) for back in backs if back in centre.places]
    found = Settings(
        np.concatenate([values, np.repeat(row[None], len(others), axis=0)]),
        np.concatenate([np.repeat(centre.place, len(columns)), np.array(others, dtype=np.int64)]),
        centre.places,
    )
    return distinct(in_places(start, centre.places), centre, hand.allowed(found))


def followed(
    lead: TrackSteps, settings: Settings, hand: TrackSteps, places: Sequence[Place]
) -> Settings:
    """Another track's start with the changes of a track; what it cannot do is left out.

    Parameters
    ----------
    lead : TrackSteps
        Of the track that the settings are of.
    hand : TrackSteps
        Of the track that follows.
    places : sequence of Place
        Places of the track that follows that have been measured.

    Returns
    -------
    Settings
        As many rows; the place is -1 where it has not been measured. Gains change by the same dB
        by name of position, pan and width by the same, the seat by the same step.
    """
    values = np.repeat(hand.start[None], len(settings), axis=0)
    values[:, -3:-1] += settings.values[:, -3:-1] - lead.start[-3:-1]
    values[:, -1] = settings.values[:, -1]
    for column, name in enumerate(lead.track.positions):
        if name not in hand.track.positions:
            continue
        own, gains = hand.track.positions.index(name), settings.values[:, column]
        by = np.where(gains <= OFF_DB, -np.inf, gains - lead.base[column])
        new = np.maximum(hand.base[own] + by, OFF_DB)
        values[:, own] = np.where(gains == lead.start[column], hand.start[own], new)
    number = {place: index for index, place in enumerate(places)}
    wanted = [_follows(lead, place, hand) for place in settings.places]
    place = np.array([number.get(one, -1) for one in wanted], dtype=np.int64)[settings.place]
    allowed = hand.allowed(Settings(values, np.maximum(place, 0), tuple(places)))
    return Settings(allowed.values, np.where(place < 0, -1, allowed.place), allowed.places)


def _follows(lead: TrackSteps, place: Place, hand: TrackSteps) -> Place:
    """The place of a track that follows: the same step of its seat, the same turn of its delay."""
    (seat, aligned), first, own = place, lead.track.start, hand.track.start
    locks, there = hand.track.locks, own.seat
    if seat is not None and first.seat is not None and own.seat is not None and "seat" not in locks:
        step = (seat[0] - first.seat[0], seat[1] - first.seat[1])
        there = (round(own.seat[0] + step[0], 3), round(own.seat[1] + step[1], 3))
        there = own.seat if step == (0.0, 0.0) else there
    turned = aligned != first.aligned and "delay" not in locks
    return there, own.aligned ^ turned
