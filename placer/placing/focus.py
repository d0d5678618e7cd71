"""The table of a few seats made exact: from full responses instead of theory for the late part.

The first table takes the late part from energy theory. A low note meets one frequency of one seat's
late field, though, and may lie several dB beside the average there. Once the search has settled on
a few seats, their Gram matrices are measured from the very responses that will be rendered, at the
frequencies which the track plays.

*Conventions*: as `placer.placing.table`; early and late parts keep their own Grams, thirds and
loudness are of both together with all cross terms.

`FocusedTables`: makes them, keeping what it has simulated.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from placer.cue.records import Cue, Placement, Track
from placer.placing.exact import channel_responses
from placer.placing.layout import DRY_LAYOUT, pack_gram
from placer.placing.spectrum import StemSpectrum, transform_size
from placer.placing.table import Grams, TrackTable, Variant, table_of
from sim.decibel import FloatArray

NEGLIGIBLE = 1e-5
"""Weight below which a bin is left out of a band's sum."""

THREADS = 2
MOST_KEPT = 400
"""Seats of tracks whose Grams are kept."""

Seat = tuple[float, float]


class FocusedTables:
    """Makes exact tables of a few seats of dry tracks.

    Parameters
    ----------
    cue : Cue
        With the arrays in use.
    """

    def __init__(self, cue: Cue) -> None:
        self._cue = cue
        self._kept: OrderedDict[tuple[int, Variant], Grams] = OrderedDict()

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
        variants = [variant for variant in table.variants if variant.seat in set(seats)]
        missing = [variant for variant in variants if (index, variant) not in self._kept]
        if missing:
            track = self._cue.tracks[index]
            measured = _Measured(self._cue, track, samples, table)
            by_seat: dict[Seat, list[Variant]] = {}
            for variant in missing:
                by_seat.setdefault(variant.seat or (0.0, 0.0), []).append(variant)
            with ThreadPoolExecutor(THREADS) as pool:
                for pairs in pool.map(measured.seat, by_seat.values()):
                    self._kept.update({(index, variant): grams for variant, grams in pairs})
        parts = [(variant, self._kept[index, variant]) for variant in variants]
        while len(self._kept) > max(MOST_KEPT, len(variants)):
            self._kept.popitem(last=False)
        return table_of(DRY_LAYOUT, table.source, parts)


class _Measured:
    """A track's spectrum at the resolution of full responses."""

    def __init__(self, cue: Cue, track: Track, samples: FloatArray, table: TrackTable) -> None:
        self.cue, self.track, self.channels = cue, track, samples.shape[0]
        seat = table.variants[0].seat
        taps = channel_responses(cue, track, self._natural(seat), self.channels)[0][0].shape[-1]
        self.stem = StemSpectrum(
            samples,
            cue.sample_rate,
            # a little longer, so that no seat's response is cut or wraps round
            size=transform_size(1.05 * taps),
            k_power=table.source.k_power,
        )

    @staticmethod
    def _natural(seat: Seat | None) -> Placement:
        return Placement(seat, (0.0,) * 4)

    def seat(self, variants: list[Variant]) -> list[tuple[Variant, Grams]]:
        """Grams of every variant at one seat."""
        parts = channel_responses(
            self.cue, self.track, self._natural(variants[0].seat), self.channels
        )
        early = [self.stem.of(part[0]) for part in parts]
        late = [self.stem.of(part[1]) for part in parts]
        return [(variant, self._grams(early, late, variant.close_delay)) for variant in variants]

    def _grams(self, early: list[np.ndarray], late: list[np.ndarray], delay: float) -> Grams:
        rate, rows = self.cue.sample_rate, self.stem.rows
        lag = round(delay * rate) / rate
        early = [self.stem.turned(spectrum, lag) for spectrum in early]
        late = [self.stem.turned(spectrum, lag) for spectrum in late]
        whole = [a + b for a, b in zip(early, late, strict=True)]
        bands = [self._packed(part, rows.bands) for part in (early, late)]
        thirds = self._packed(whole, rows.thirds)
        loudness = self._packed(whole, rows.loudness[None])[:, 0] * self.stem.scale
        return bands[0], bands[1], thirds, loudness

    def _packed(self, spectra: list[np.ndarray], rows: FloatArray) -> FloatArray:
        """Packed Grams (P, row), each summed over the bins where its row weighs anything."""
        grams = []
        for row in rows:
            bins = np.flatnonzero(row > NEGLIGIBLE * row.max())
            part = slice(int(bins[0]), int(bins[-1]) + 1)
            weight = row[part].astype(np.float32)
            gram = sum(
                (spectrum[:, part] * (weight * density[part])) @ spectrum[:, part].conj().T
                for spectrum, density in zip(spectra, self.stem.density, strict=True)
            )
            if self.stem.coherence is not None:
                cross = spectra[0][:, part] * (weight * self.stem.coherence[part])
                mixed = cross @ spectra[1][:, part].conj().T
                gram = gram + mixed + mixed.conj().T
            grams.append(pack_gram(np.asarray(gram)))
        return np.stack(grams, axis=-1).astype(np.float32)
