"""The table of a dry track: each candidate seat in the simulated room.

*Conventions*: microphones are the close one at the seat, then `Arrays.shared()`; they are folded to
the seven channels of `layout.DRY_LAYOUT`. A mono stem is one source; a stereo stem is two, its
left and right channel from the two halves of the section.

`candidate_seats`: where the track may sit. `sources_at`: the sources of a stem at a seat.
`dry_table`: the look-ups, early part from image sources, late part from the energy theory.

Sources
-------
See `sim.responses` for the acoustics.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import numpy as np

from placer.cue.records import Cue, Track
from placer.placement.layout import DRY_FOLD, DRY_LAYOUT, pack_gram
from placer.placing.spectrum import StemSpectrum, transform_size
from placer.placing.table import (
    Grams,
    SourceSound,
    TrackTable,
    Variant,
    late_loudness,
    source_sound,
    table_of,
)
from sim.bands import ERB_CENTRES, LOW_THIRDS
from sim.decibel import FloatArray
from sim.responses import decay_time, early_responses, late_field
from sim.room import Room
from sim.source import Source

MOST_SEATS = 48
"""Candidate seats a track at the most; a larger area gets a wider grid."""

WALL_DISTANCE = 0.5
"""Least distance of a player from a side wall, m."""

THREADS = 2


def candidate_seats(track: Track, grid: float, room: Room) -> tuple[tuple[float, float], ...]:
    """Seats that a dry track may take: its start, then a grid over its area.

    Parameters
    ----------
    track : Track
    grid : float
        m between seats; widened so that no more than `MOST_SEATS` result.
    room : Room
        Whose side walls the players of a section keep clear of.

    Returns
    -------
    tuple of (x, y) in m
        The start only, where the seat is locked or the track fixed.
    """
    start = track.start.seat
    if start is None:
        raise ValueError(f"track {track.name} has no seat; only dry tracks have a table of seats")
    if track.fixed or "seat" in track.locks:
        return (start,)
    left, right, front, back = track.limits.area
    reach = max(0.0, room.width / 2.0 - WALL_DISTANCE - track.source_width / 2.0)
    left, right = max(left, -reach), min(right, reach)
    step = max(grid, math.sqrt(max(right - left, 0.0) * (back - front) / MOST_SEATS))
    xs = np.arange(math.ceil(left / step), math.floor(right / step) + 1) * step
    ys = np.arange(math.ceil(front / step), math.floor(back / step) + 1) * step
    nodes = [(round(float(x), 3), round(float(y), 3)) for y in ys for x in xs]
    return (start, *(node for node in nodes if node != start))


def sources_at(
    room: Room, track: Track, seat: tuple[float, float], channels: int
) -> tuple[Source, ...]:
    """Sources of a stem with one or two channels at a seat, inside the room's side walls."""
    if channels == 1:
        return (Source(position=seat, width=track.source_width, family=track.family),)
    half = track.source_width / 2.0
    reach = room.width / 2.0 - WALL_DISTANCE
    return tuple(
        Source(
            position=(min(max(seat[0] + side * half / 2.0, -reach), reach), seat[1]),
            width=half,
            family=track.family,
        )
        for side in (-1.0, 1.0)
    )


def close_delay(direct_delay: FloatArray) -> float:
    """Delay in s that lets the close sound arrive with the earliest tree microphone."""
    return max(0.0, float(np.min(direct_delay[1:4]) - direct_delay[0]))


def dry_table(cue: Cue, track: Track, samples: FloatArray) -> TrackTable:
    """Build the look-ups of a dry track.

    Parameters
    ----------
    cue : Cue
        Room, arrays, sample rate and grid.
    track : Track
        A dry track.
    samples : (1 or 2, frame) FloatArray
        The analysed passage of its stem.

    Returns
    -------
    TrackTable
    """
    source = source_sound(samples, cue.sample_rate, decay_time(cue.room, ERB_CENTRES))
    seats = candidate_seats(track, cue.search.grid, cue.room)
    builder = _SeatBuilder(cue, track, samples, source)
    with ThreadPoolExecutor(THREADS) as pool:
        parts = [part for seat in pool.map(builder.variants, seats) for part in seat]
    return table_of(DRY_LAYOUT, source, parts)


class _SeatBuilder:
    """Holds what all seats of one track share while its table is built."""

    def __init__(self, cue: Cue, track: Track, samples: FloatArray, source: SourceSound) -> None:
        self.cue, self.track, self.source = cue, track, source
        self.channels = samples.shape[0]
        first = self._early(track.start.seat or (0.0, 0.0))
        self.stem = StemSpectrum(
            samples,
            cue.sample_rate,
            size=transform_size(first[0][0].shape[-1]),
            k_power=source.k_power,
        )
        self.rows = self.stem.rows.stacked

    def _early(self, seat: tuple[float, float]) -> list[tuple[FloatArray, FloatArray]]:
        microphones = (self.cue.arrays.close_at(seat), *self.cue.arrays.shared())
        simulate = partial(early_responses, self.cue.room, microphones=microphones)
        found = [
            simulate(source=source, sample_rate=self.cue.sample_rate)
            for source in sources_at(self.cue.room, self.track, seat, self.channels)
        ]
        return [(one.early, one.direct_delay) for one in found]

    def variants(self, seat: tuple[float, float]) -> list[tuple[Variant, Grams]]:
        """Every variant at a seat: record, early, late, thirds and loudness Grams, packed."""
        found = self._early(seat)
        late, late_thirds = self._late(seat)
        late_k = late_loudness(late, self.source.power)
        spectra = [self.stem.of(DRY_FOLD @ early) for early, _ in found]
        delay = close_delay(np.mean([delays for _, delays in found], axis=0))
        shifts = [delay if aligned else 0.0 for aligned in self._alignments()]
        grams = self.stem.grams(spectra, self.rows, shifts)
        result: list[tuple[Variant, Grams]] = []
        for aligned, shift, gram in zip(self._alignments(), shifts, grams, strict=True):
            thirds = gram[:, 39:50] + late_thirds
            loudness = self.stem.scale * gram[:, 50] + late_k
            variant = Variant(seat, aligned, shift)
            result.append((variant, (gram[:, :39], late, thirds, loudness)))
        return result

    def _alignments(self) -> tuple[bool, ...]:
        if self.track.fixed or "delay" in self.track.locks:
            return (self.track.start.aligned,)
        return (False, True)

    def _late(self, seat: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
        """Packed late Grams in the 39 bands and the 11 low thirds, averaged over the sources."""
        centres = np.concatenate([ERB_CENTRES, LOW_THIRDS])
        microphones = (self.cue.arrays.close_at(seat), *self.cue.arrays.shared())
        total = np.zeros((DRY_LAYOUT.count**2, centres.size))
        for share, source in zip(
            self.stem.shares,
            sources_at(self.cue.room, self.track, seat, self.channels),
            strict=True,
        ):
            field = late_field(self.cue.room, source, microphones, centres=centres)
            amplitude = np.sqrt(field.level)
            gram = amplitude[:, None] * amplitude[None, :] * field.coherence
            folded = np.einsum("ci,ijb,dj->cdb", DRY_FOLD, gram, DRY_FOLD, optimize=True)
            total += share * pack_gram(folded)
        return total[:, :39].astype(np.float32), total[:, 39:].astype(np.float32)
