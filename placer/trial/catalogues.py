"""The options that the fast loop chooses from, first everywhere, then around the best.

*Conventions*: one `Options` a track, in cue order; option 0 is the reference placement.

`TableSearch`: one material's catalogues, on the first tables and on tables of a few exact seats.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from placer.cost.fast import Catalogue, Kernel
from placer.cost.landscape import CatalogueLandscape
from placer.cost.objective import reference_row
from placer.cost.scene import Scene, Sounding
from placer.cost.whole import LATE, meeting_rows
from placer.cue.records import Placement
from placer.placing.focus import FocusedTables
from placer.placing.lows import LowBand
from placer.placing.options import Options, measure, nearby, propose
from placer.placing.table import TrackTable
from placer.trial.lows import MixLows
from placer.trial.material import Material
from placer.trial.shelf import Shelf
from sim.decibel import FloatArray, energy

FIRST_OPTIONS, NEAR_OPTIONS = 1200, 700
"""Options a track in the first catalogue and in those around good placements."""

FOCUS_SEATS = 4
"""Seats of a track whose tables are made exact, its start among them."""

MOST_TRUED = float(energy(1.5))
"""Most that measured late energy may correct a table by."""

LateKnown = dict[tuple[int, tuple[float, float] | None], float]
"""Real late energy over that of the tables, of tracks at seats where it has been measured."""

Placements = tuple[Placement, ...]


class TableSearch:
    """The fast loop's view of one material.

    Parameters
    ----------
    material : Material
        With the arrays in use.
    kernel : Kernel
        Of the cue's scene.
    focused : FocusedTables
        From `seat_tables` of the same material.
    corrections_db : (track,) array
        Added to every option's level: how far the exact make-up gain of the reference lies above
        the table's.
    """

    def __init__(
        self,
        material: Material,
        kernel: Kernel,
        *,
        focused: FocusedTables,
        corrections_db: np.ndarray,
    ) -> None:
        self.material, self.kernel = material, kernel
        self._corrections_db = corrections_db
        self._focused = focused
        self._lows = MixLows(material, focused)
        self._movable = kernel.scene.movable

    def landscape(self, catalogue: Sequence[Options]) -> CatalogueLandscape:
        """Costs over a catalogue."""
        measured = [
            Catalogue(
                o.early, o.late, o.thirds, o.seating, o.early_total, o.late_total, o.lows_known
            )
            for o in catalogue
        ]
        gains = catalogue.gains if isinstance(catalogue, Shelf) else None
        return CatalogueLandscape(self.kernel, measured, gains)

    def missed(
        self, landscape: CatalogueLandscape, state: np.ndarray, row: FloatArray, exact: Scene
    ) -> FloatArray:
        """What the tables miss of a state's whole mix.

        Parameters
        ----------
        landscape : CatalogueLandscape
        state : (track,) int ndarray
        row : (20,) FloatArray
            Figures of the real mix, from `objective.mix_row`.
        exact : Scene
            In which it was measured.

        Returns
        -------
        (20,) FloatArray
            To be added to the tables' figures. Late energy is compared relative to each level's
            own reference, all else absolutely.
        """
        scaled = row.copy()
        here, there = reference_row(self.kernel.scene)[:LATE], reference_row(exact)[:LATE]
        scaled[:LATE] *= here / np.maximum(there, 1e-30)
        return scaled - landscape.row(state)

    def trued(
        self,
        catalogue: Shelf,
        state: np.ndarray,
        sounding: Sounding,
        *,
        exact: Scene,
        known: LateKnown,
    ) -> Shelf:
        """Options whose late energy is right where it has been measured.

        A passage of some seconds is not the long-term sound that tables stand for, so that the late
        energy of a seat comes out some tenths of a dB off, alike in all blends there.

        Parameters
        ----------
        catalogue : Shelf
        state : (track,) int ndarray
        sounding : Sounding
            Of that state, by real convolution.
        exact : Scene
            In which it was measured.
        known : dict
            What has been measured before; what this state tells is added.

        Returns
        -------
        Shelf
            Late energy of every option at a seat that has been measured, set right.
        """
        scene, envelopes = self.kernel.scene, self.kernel.envelopes
        chosen = [o.late_total[k] for o, k in zip(catalogue, state, strict=True)]
        table = np.stack(chosen, dtype=float)
        now = _late_change(table * envelopes.power[:, None], scene.reference.late)
        real = _late_change(sounding.totals.late, exact.reference.late)
        factors = []
        for index, (options, option) in enumerate(zip(catalogue, state, strict=True)):
            seat = options.placements[int(option)].seat
            by = float(np.clip(real[index] / now[index], 1.0 / MOST_TRUED, MOST_TRUED))
            known[index, seat] = by
            found = [known.get((index, p.seat), 1.0) for p in options.placements]
            factors.append(np.array(found, dtype=np.float32)[:, None, None])
        return catalogue.changed(
            replace(o, late_total=o.late_total * by)
            for o, by in zip(catalogue, factors, strict=True)
        )

    def met(self, catalogue: Sequence[Options], state: np.ndarray) -> list[FloatArray]:
        """What each option adds to the lows of a mix by the phase in which it meets the others.

        Parameters
        ----------
        catalogue : sequence of Options
            From `around` with exact seats.
        state : (track,) int ndarray
            The mix that each track's options meet, the other tracks staying as they are there.

        Returns
        -------
        list of (n, 20) FloatArray
            For each track, to be added to the rows of its options.
        """
        return [meeting_rows(thirds) for thirds in self._lows.met(catalogue, state)]

    def between(self, catalogue: Sequence[Options], states: np.ndarray) -> FloatArray:
        """What mixes hold in the lows besides the energies of their tracks.

        Parameters
        ----------
        catalogue : sequence of Options
            From `around` with exact seats.
        states : (n, track) int ndarray

        Returns
        -------
        (n, 20) FloatArray
        """
        return meeting_rows(self._lows.between(catalogue, states))

    def _measured(self, tables: Sequence[TrackTable], placements: Sequence[Placements]) -> Shelf:
        tracks = self.material.cue.tracks
        return Shelf(
            (
                corrected(measure(track, table, wanted), by)
                for track, table, wanted, by in zip(
                    tracks, tables, placements, self._corrections_db, strict=True
                )
            ),
            sum(map(len, placements)),
        )

    def _proposed(
        self, tables: Sequence[TrackTable], count: int, rng: np.random.Generator
    ) -> list[Placements]:
        cue = self.material.cue
        return [
            propose(track, table, count=count, trim_db=cue.search.trim_db, rng=rng)
            if movable
            else (track.start,)
            for track, table, movable in zip(cue.tracks, tables, self._movable, strict=True)
        ]

    def everywhere(self, rng: np.random.Generator) -> Shelf:
        """A catalogue over everything each track may do."""
        tables = self.material.tables
        return self._measured(tables, self._proposed(tables, FIRST_OPTIONS, rng))

    def around(
        self, centres: Sequence[Placements], rng: np.random.Generator, *, exact: bool
    ) -> Shelf:
        """A catalogue around several candidates.

        Parameters
        ----------
        centres : sequence of placements
            Best first; each candidate's own placements are part of the catalogue.
        rng : numpy.random.Generator
        exact : bool
            Whether to stay at the candidates' seats, on tables made exact there.

        Returns
        -------
        Shelf
        """
        material = self.material
        tables = focused(material, self._focused, centres) if exact else list(material.tables)
        few = max(2, NEAR_OPTIONS // (2 * len(centres)))
        wanted = self._proposed(tables, NEAR_OPTIONS // 2, rng)
        for index, (track, table) in enumerate(zip(self.material.cue.tracks, tables, strict=True)):
            if not self._movable[index]:
                continue
            held = {variant.seat for variant in table.variants}
            found = dict.fromkeys((track.start,))
            for centre in (c[index] for c in centres if c[index].seat in held):
                found.update(dict.fromkeys(nearby(track, table, centre, count=few, rng=rng)))
            wanted[index] = tuple(dict.fromkeys((*found, *wanted[index])))
        return self._measured(tables, wanted)


def seat_tables(material: Material) -> FocusedTables:
    """Maker of exact tables for one material."""
    frames = material.passages[0].samples.shape[-1]
    return FocusedTables(material.cue, LowBand(material.cue.sample_rate, frames))


def focused(
    material: Material, maker: FocusedTables, centres: Sequence[Placements]
) -> list[TrackTable]:
    """Tables of the seats that candidates use, made exact; recorded tracks keep theirs."""
    tables = []
    for index, (track, table) in enumerate(zip(material.cue.tracks, material.tables, strict=True)):
        if track.kind == "dry" and track.start.seat is not None:
            used = (track.start.seat, *(centre[index].seat for centre in centres))
            seats = [seat for seat in dict.fromkeys(used) if seat is not None][:FOCUS_SEATS]
            samples = material.passages[index].samples
            table = maker.table(index, samples, table, seats)
        tables.append(table)
    return tables


def references(material: Material, maker: FocusedTables) -> list[Options]:
    """The reference placement of every track alone, on tables made exact at its seat."""
    tables = focused(material, maker, [])
    return [
        measure(track, table, (track.start,))
        for track, table in zip(material.cue.tracks, tables, strict=True)
    ]


def _late_change(late: FloatArray, reference: FloatArray) -> FloatArray:
    """Late energy of each track over its energy in the reference, from (T, 4, B) both."""
    now, then = (part[:, :2].sum((1, 2)) for part in (late, reference))
    change: FloatArray = (now + 1e-30) / (then + 1e-30)
    return change


def corrected(options: Options, by_db: float) -> Options:
    """Options with every level raised."""
    factor = np.float32(energy(by_db))
    early = options.early * factor
    same = options.early_total is options.early
    return replace(
        options,
        early=early,
        late=options.late * factor,
        early_total=early if same else options.early_total * factor,
        late_total=options.late_total * factor,
        thirds=options.thirds * factor,
        make_up_db=options.make_up_db + by_db,
    )
