"""The table of a few seats made exact: from full responses instead of theory for the late part.

The first table takes the late part from energy theory. A low note meets one frequency of one seat's
late field, though, and may lie several dB beside the average there. Once the search has settled on
a few seats, their Gram matrices are measured from the very responses that will be rendered, at the
frequencies which the track plays.

*Conventions*: as `placer.placing.table`; early and late parts keep their own Grams, thirds are
of both together with all cross terms. Low spectra of the same seats tell how a track's lows meet
those of the others (`placer.placing.lows`); thirds are taken from them, so that both agree. Totals
and loudness are those of the passage (`placer.placing.heard`).

`FocusedTables`: makes them, keeping what it has simulated.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from placer.cue.records import Cue, Placement, Track
from placer.placing.exact import channel_responses
from placer.placing.gating import block_count
from placer.placing.heard import Heard, HeardBand
from placer.placement.layout import DRY_LAYOUT
from placer.placing.lows import LowBand, Spectra
from placer.placing.spectrum import StemSpectrum, transform_size
from placer.placing.table import Grams, HeardGrams, TrackTable, Variant, table_of
from sim.decibel import FloatArray

THREADS = 2
MOST_KEPT = 500
"""Seats of tracks that are kept, where one table does not need more."""

Seat = tuple[float, float]


class FocusedTables:
    """Makes exact tables of a few seats of dry tracks.

    Parameters
    ----------
    cue : Cue
        With the arrays in use.
    band : LowBand
        Of the passage.

    Attributes
    ----------
    band : LowBand
    """

    def __init__(self, cue: Cue, band: LowBand) -> None:
        self._cue, self.band = cue, band
        self._heard = HeardBand(cue.sample_rate)
        self._kept: OrderedDict[tuple[int, Seat], _Seat] = OrderedDict()
        self._taps: dict[int, int] = {}

    def table(
        self, index: int, samples: FloatArray, table: TrackTable, seats: Sequence[Seat]
    ) -> TrackTable:
        """A table of one dry track that holds some seats of another, exactly.

        Parameters
        ----------
        index : int
            Of the track in the cue.
        samples : (1 or 2, frame) FloatArray
            The analysed passage of its stem.
        table : TrackTable
            From `dry.dry_table`.
        seats : sequence of (x, y)
            Seats of that table.

        Returns
        -------
        TrackTable
        """
        wanted = dict.fromkeys(seats)
        variants = [variant for variant in table.variants if variant.seat in wanted]
        missing = [seat for seat in wanted if (index, seat) not in self._kept]
        if missing:
            track = self._cue.tracks[index]
            if index not in self._taps:
                self._taps[index] = _taps(self._cue, track, table.variants[0].seat)
            measured = _Measured(
                self._cue, track, samples, table, bands=(self.band, self._heard),
                taps=self._taps[index],
            )  # fmt: skip

            def _measure(seat: Seat) -> _Seat:
                return measured.seat([v for v in variants if v.seat == seat])

            with ThreadPoolExecutor(THREADS) as pool:
                made = pool.map(_measure, missing)
                self._kept.update(
                    {(index, seat): one for seat, one in zip(missing, made, strict=True)}
                )
        found = [self._kept[index, seat] for seat in wanted]
        grams = {variant: grams for one in found for variant, grams in one.grams.items()}
        heard = {variant: grams for one in found for variant, grams in one.heard.items()}
        for seat in wanted:
            self._kept.move_to_end((index, seat))
        while len(self._kept) > max(MOST_KEPT, len(wanted)):
            self._kept.popitem(last=False)
        exact = table_of(DRY_LAYOUT, table.source, [(v, grams[v]) for v in variants])
        grams_heard = [heard[v] for v in variants]
        return replace(
            exact,
            heard=HeardGrams(
                early=np.stack([one.early for one in grams_heard]),
                late=np.stack([one.late for one in grams_heard]),
                blocks=np.stack([one.blocks for one in grams_heard]),
            ),
        )

    def lows(self, index: int, seat: Seat) -> Spectra:
        """Low spectra (7, bin) of one track at a seat of its latest table, as it is: not aligned.

        Raises
        ------
        KeyError
            A seat that has not been measured or is no longer kept.
        """
        return self._kept[index, seat].lows


@dataclass(frozen=True, slots=True)
class _Seat:
    """What has been measured of one track at one seat."""

    grams: dict[Variant, Grams]
    heard: dict[Variant, Heard]
    lows: Spectra


def _taps(cue: Cue, track: Track, seat: Seat | None) -> int:
    """Length of the responses of one seat."""
    return int(channel_responses(cue, track, _natural(seat), 1)[0][0].shape[-1])


def _natural(seat: Seat | None) -> Placement:
    return Placement(seat, (0.0,) * 4)


class _Measured:
    """A track's spectrum at the resolution of full responses."""

    def __init__(
        self,
        cue: Cue,
        track: Track,
        samples: FloatArray,
        table: TrackTable,
        *,
        bands: tuple[LowBand, HeardBand],
        taps: int,
    ) -> None:
        self.cue, self.track, self.samples, self.source = cue, track, samples, table.source
        self.low, self.band = bands
        self.low_stem = self.band.lowered(samples)
        own = np.square(np.abs(self.low.of(samples))).sum(0)
        self.own_thirds: FloatArray = self.low.weights @ own
        self.channels = samples.shape[0]
        self.stem = StemSpectrum(
            samples,
            cue.sample_rate,
            # a little longer, so that no seat's response is cut or wraps round
            size=transform_size(1.05 * taps),
            k_power=table.source.k_power,
        )
        self.rows = self.stem.rows.bands.astype(np.float32)

    def seat(self, variants: list[Variant]) -> _Seat:
        """Grams of every variant at one seat, its late totals and its low spectra."""
        rate = self.cue.sample_rate
        parts = channel_responses(self.cue, self.track, _natural(variants[0].seat), self.channels)
        early = [self.stem.of(part[0]) for part in parts]
        late = [self.stem.of(part[1]) for part in parts]
        taps = [round(variant.close_delay * rate) for variant in variants]
        delays = [delay / rate for delay in taps]
        lows = self.low.through(self.samples, [near + far for near, far in parts])
        found = zip(
            self.stem.grams(early, self.rows, delays),
            self.stem.grams(late, self.rows, delays),
            [self._thirds(lows, delay) for delay in delays],
            strict=True,
        )
        blocks = block_count(self.source.envelope.shape[-1])
        heard = self.band.heard(self.low_stem, parts, taps, blocks=blocks)
        return _Seat(
            grams=dict(zip(variants, found, strict=True)),
            heard={
                variant: self._over_power(one) for variant, one in zip(variants, heard, strict=True)
            },
            lows=lows,
        )

    def _over_power(self, heard: Heard) -> Heard:
        power = self.source.power[: self.band.count]
        early, late = (_relative(grams, power) for grams in (heard.early, heard.late))
        return replace(heard, early=early, late=late)

    def _thirds(self, lows: Spectra, delay: float) -> FloatArray:
        moved = self.low.delayed(lows, DRY_LAYOUT, delay)
        return _relative(self.low.gram(moved), self.own_thirds)


def _relative(grams: FloatArray, power: FloatArray) -> FloatArray:
    """Grams (P, b) over the source's own powers (b,); 0 where the source has none."""
    ratio = np.where(power > 0.0, grams / np.where(power > 0.0, power, 1.0), 0.0)
    return ratio.astype(np.float32)
