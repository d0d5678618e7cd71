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
from scipy import fft
from scipy.signal import csd, welch

from placer.audio.envelopes import TOP_FREQUENCY
from placer.cue.records import Cue, Placement, Track
from placer.placing.exact import channel_responses
from placer.placing.layout import DRY_LAYOUT, pack_gram
from placer.placing.table import TrackTable, Variant, WeightedRows, weighted_rows
from sim.decibel import FloatArray

NEGLIGIBLE = 1e-5
"""Weight below which a bin is left out of a band's sum."""

THREADS = 2
MOST_KEPT = 400
"""Seats of tracks whose Grams are kept."""

Seat = tuple[float, float]
Grams = tuple[FloatArray, FloatArray, FloatArray, FloatArray]


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
        parts = [self._kept[index, variant] for variant in variants]
        while len(self._kept) > max(MOST_KEPT, len(variants)):
            self._kept.popitem(last=False)
        early, late, thirds, loudness = (np.stack(part) for part in zip(*parts, strict=True))
        return TrackTable(
            layout=DRY_LAYOUT,
            source=table.source,
            variants=tuple(variants),
            early=early,
            late=late,
            thirds=thirds,
            loudness=loudness,
        )


class _Measured:
    """A track's spectrum at the resolution of full responses."""

    def __init__(self, cue: Cue, track: Track, samples: FloatArray, table: TrackTable) -> None:
        self.cue, self.track, self.channels = cue, track, samples.shape[0]
        seat = table.variants[0].seat
        taps = channel_responses(cue, track, self._natural(seat), self.channels)[0][0].shape[-1]
        # a little longer, so that no seat's response is cut or wraps round
        self.size = 1 << (int(1.05 * taps) - 1).bit_length()
        options = {"fs": cue.sample_rate, "nperseg": self.size, "scaling": "spectrum"}
        padded = np.pad(samples, ((0, 0), (0, max(0, self.size - samples.shape[-1]))))
        frequencies, powers = welch(padded, detrend=False, **options)
        kept = frequencies <= TOP_FREQUENCY
        self.frequencies = frequencies[kept]
        total = powers[:, kept].sum(axis=0)
        self.rows: WeightedRows = weighted_rows(total, self.frequencies)
        self.scale = table.source.k_power / float(np.sum(self.rows.loudness))
        floored = total + 1e-12 * np.max(total)
        self.density = [(power / floored).astype(np.float32) for power in powers[:, kept]]
        if self.channels == 2:
            cross = csd(padded[1], padded[0], detrend=False, **options)[1][kept]
            self.coherence = (cross / floored).astype(np.complex64)

    @staticmethod
    def _natural(seat: Seat | None) -> Placement:
        return Placement(seat, (0.0,) * 4)

    def seat(self, variants: list[Variant]) -> list[tuple[Variant, Grams]]:
        """Grams of every variant at one seat."""
        parts = channel_responses(
            self.cue, self.track, self._natural(variants[0].seat), self.channels
        )
        early = [self._spectrum(part[0]) for part in parts]
        late = [self._spectrum(part[1]) for part in parts]
        return [(variant, self._grams(early, late, variant.close_delay)) for variant in variants]

    def _spectrum(self, response: FloatArray) -> np.ndarray:
        spectrum = fft.rfft(response.astype(np.float32), self.size, axis=-1)
        return np.asarray(spectrum[:, : self.frequencies.size])

    def _grams(self, early: list[np.ndarray], late: list[np.ndarray], delay: float) -> Grams:
        rate = self.cue.sample_rate
        lag = round(delay * rate) / rate
        turn = np.exp(-2j * np.pi * self.frequencies * lag).astype(np.complex64)
        early = [self._turned(spectrum, turn) for spectrum in early]
        late = [self._turned(spectrum, turn) for spectrum in late]
        whole = [a + b for a, b in zip(early, late, strict=True)]
        bands = [self._packed(part, self.rows.bands) for part in (early, late)]
        thirds = self._packed(whole, self.rows.thirds)
        loudness = self._packed(whole, self.rows.loudness[None])[:, 0] * self.scale
        return bands[0], bands[1], thirds, loudness

    @staticmethod
    def _turned(spectrum: np.ndarray, turn: np.ndarray) -> np.ndarray:
        turned = spectrum.copy()
        turned[0] *= turn
        return turned

    def _packed(self, spectra: list[np.ndarray], rows: FloatArray) -> FloatArray:
        """Packed Grams (P, row), each summed over the bins where its row weighs anything."""
        grams = []
        for row in rows:
            bins = np.flatnonzero(row > NEGLIGIBLE * row.max())
            part = slice(int(bins[0]), int(bins[-1]) + 1)
            weight = row[part].astype(np.float32)
            gram = sum(
                (spectrum[:, part] * (weight * density[part])) @ spectrum[:, part].conj().T
                for spectrum, density in zip(spectra, self.density, strict=True)
            )
            if len(spectra) == 2:
                cross = spectra[0][:, part] * (weight * self.coherence[part])
                mixed = cross @ spectra[1][:, part].conj().T
                gram = gram + mixed + mixed.conj().T
            grams.append(pack_gram(np.asarray(gram)))
        return np.stack(grams, axis=-1).astype(np.float32)
