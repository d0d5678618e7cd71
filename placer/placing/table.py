"""What one track would sound like from each place it may take, as small quadratic forms.

*Conventions*: a track's table has V variants (a seat, close position aligned or not); Gram
matrices over the track's channels are packed (`layout.pack_gram`), one column a band, and are
relative to the source: times `Source.envelope` they are energies. B = 39 bands, F frames.

A candidate is then a look-up and `layout.covariance_weights` times a packed Gram: no audio.

`SourceSound`: what the stem holds. `TrackTable`: the look-ups. `weighted_rows`: the track's own
spectrum as weights, so that a response is judged at the frequencies which this track plays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from placer.audio.envelopes import (
    band_filters,
    excitation,
    low_thirds,
    smear,
    spectra,
)
from placer.audio.loudness import k_weighting_response
from placer.cue.records import Placement
from placer.placement.layout import Layout
from sim.bands import (
    ERB_CENTRES,
    LOW_THIRDS,
    erb_edges,
    excitation_weights,
    power_weights,
    third_edges,
)
from sim.decibel import FloatArray

FLOOR = 1e-9
"""Share of a spectrum's peak added everywhere, so that a band without sound has a response."""

NOTHING = 1e-20
"""Share of a band's weights below which a bin is left out."""


@dataclass(frozen=True, slots=True)
class SourceSound:
    """What the analysed passage of one track holds before any placement.

    Attributes
    ----------
    envelope : (39, F) excitation of the source
    late_envelope : (39, F) the same after the room's late decay
    power : (39,) mean power in bands that do not overlap
    third_power : (11,) mean power in the low third-octave bands
    k_power : K-weighted mean power of the reference
    """

    envelope: FloatArray
    late_envelope: FloatArray
    power: FloatArray
    third_power: FloatArray
    k_power: float

    @property
    def late_part(self) -> FloatArray:
        """Part (39,) of a steady sound's late energy that comes before the passage ends."""
        whole = self.envelope.mean(-1)
        part: FloatArray = self.late_envelope.mean(-1) / np.where(whole > 0.0, whole, 1.0)
        return np.where(whole > 0.0, part, 1.0)


@dataclass(frozen=True, slots=True)
class Variant:
    """A seat (None for a recorded track) and the delay in s that the close position gets."""

    seat: tuple[float, float] | None
    aligned: bool
    close_delay: float


@dataclass(frozen=True, slots=True)
class HeardGrams:
    """Packed Grams measured on the passage, for the V variants of a table.

    Attributes
    ----------
    early, late : (V, P, b) relative to the source's `power`, in the lowest b bands
    blocks : (V, P, block) K-weighted power of both in those bands, in blocks of 400 ms, absolute
    """

    early: FloatArray
    late: FloatArray
    blocks: FloatArray


@dataclass(frozen=True, slots=True)
class RecordedGrams:
    """Packed Grams of a recorded track, early and late together.

    Attributes
    ----------
    whole : (V, P, 39) mean powers in plain bands, absolute
    blocks : (V, P, block) K-weighted power, in blocks of 400 ms, absolute
    """

    whole: FloatArray
    blocks: FloatArray


@dataclass(frozen=True, slots=True)
class TrackTable:
    """Look-ups of one track.

    Attributes
    ----------
    early, late : (V, P, 39) packed Grams relative to the source's excitation
    thirds : (V, P, 11) packed Grams of early and late together, relative to `third_power`
    loudness : (V, P) packed Grams of K-weighted mean power, absolute; (0, P) where a next one tells
    heard : what the passage itself gives at a dry track's seats; None where it was not measured
    recorded : what the passage of a recorded track holds
    """

    layout: Layout
    source: SourceSound
    variants: tuple[Variant, ...]
    early: FloatArray
    late: FloatArray
    thirds: FloatArray
    loudness: FloatArray
    heard: HeardGrams | None = None
    recorded: RecordedGrams | None = None

    def find(self, placements: Sequence[Placement]) -> np.ndarray:
        """Index of each placement's variant.

        Parameters
        ----------
        placements : sequence of Placement

        Returns
        -------
        (n,) intp ndarray
            Where a seat has one alignment only, that one.

        Raises
        ------
        KeyError
            A seat that the table does not hold.
        """
        index = {(v.seat, aligned): i for i, v in enumerate(self.variants) for aligned in (0, 1)}
        index.update({(v.seat, int(v.aligned)): i for i, v in enumerate(self.variants)})
        return np.array([index[p.seat, int(p.aligned)] for p in placements], dtype=np.intp)


Grams = tuple[FloatArray, ...]
"""Early, late, thirds and, unless the passage tells it, loudness of a variant of `TrackTable`."""


def table_of(
    layout: Layout, source: SourceSound, parts: Sequence[tuple[Variant, Grams]]
) -> TrackTable:
    """Stack the variants of one track."""
    early, late, thirds, *loudness = (
        np.stack(part) for part in zip(*(grams for _, grams in parts), strict=True)
    )
    return TrackTable(
        layout=layout,
        source=source,
        variants=tuple(variant for variant, _ in parts),
        early=early,
        late=late,
        thirds=thirds,
        loudness=loudness[0] if loudness else np.zeros((0, early.shape[1])),
    )


def source_sound(
    samples: FloatArray, sample_rate: int, decay_time: FloatArray, *, k_power: float | None = None
) -> SourceSound:
    """Measure a dry source.

    Parameters
    ----------
    samples : (channel, frame) FloatArray
        The analysed passage; powers are summed over channels.
    sample_rate : int
        Hz.
    decay_time : (39,) FloatArray
        Reverberation time in each band, s.
    k_power : float, optional
        K-weighted reference power; the source's own where absent.

    Returns
    -------
    SourceSound
    """
    filters = band_filters(sample_rate)
    spectrum = spectra(samples, filters)
    envelope = excitation(spectrum, filters)
    mean_power = np.sum(np.mean(np.abs(spectrum) ** 2, axis=1), axis=0)
    weighting = k_weighting_response(filters.frequencies)
    return SourceSound(
        envelope=envelope,
        late_envelope=smear(envelope, decay_time, filters.hop / sample_rate),
        power=filters.plain @ mean_power,
        third_power=third_power(samples, sample_rate),
        k_power=float(weighting @ mean_power) if k_power is None else k_power,
    )


def third_power(samples: FloatArray, sample_rate: int) -> FloatArray:
    """Mean power of all channels together in the low third-octave bands, (11,)."""
    pair = samples if samples.shape[0] == 2 else np.repeat(samples, 2, axis=0)
    both: FloatArray = low_thirds(pair, sample_rate)[:2].sum(axis=0) * (samples.shape[0] / 2)
    return both


@dataclass(frozen=True, slots=True)
class WeightedRows:
    """A track's long-term spectrum seen through all the filters of the table.

    Attributes
    ----------
    bands : (39, bin) excitation weights times the spectrum, each row summing to 1
    thirds : (11, bin) likewise for the low thirds
    loudness : (bin,) K-weighting times the spectrum, absolute
    """

    bands: FloatArray
    thirds: FloatArray
    loudness: FloatArray

    @property
    def stacked(self) -> FloatArray:
        """All rows in one (51, bin) float32 array."""
        rows = np.concatenate([self.bands, self.thirds, self.loudness[None]])
        return rows.astype(np.float32)


def weighted_rows(power_spectrum: FloatArray, frequencies: FloatArray) -> WeightedRows:
    """Weights that average a response over the frequencies a track plays.

    Parameters
    ----------
    power_spectrum : (bin,) FloatArray
        Long-term mean power of the track in each FFT bin.
    frequencies : (bin,) FloatArray
        Hz, evenly from 0.

    Returns
    -------
    WeightedRows
    """
    floored = power_spectrum + FLOOR * np.max(power_spectrum)
    excited, low = _filters(len(frequencies), float(frequencies[1]))
    bands, thirds = excited * floored, low * floored
    bands /= bands.sum(axis=1, keepdims=True)
    # far skirts are nothing to a sum, but numbers too small for float32 make it six times slower
    bands[bands < NOTHING] = 0.0
    return WeightedRows(
        bands=bands,
        thirds=thirds / thirds.sum(axis=1, keepdims=True),
        loudness=k_weighting_response(frequencies) * power_spectrum,
    )


@lru_cache(maxsize=2)
def _filters(bins: int, step: float) -> tuple[FloatArray, FloatArray]:
    """Weights of the bands (39, bin) and low thirds (11, bin) at multiples of `step` Hz."""
    frequencies = step * np.arange(bins)
    excited = excitation_weights(ERB_CENTRES, frequencies)
    return excited, power_weights(third_edges(LOW_THIRDS), frequencies)


def late_loudness(late: FloatArray, power: FloatArray) -> FloatArray:
    """K-weighted power of the late part: packed late Grams (P, 39) by the source's band powers."""
    edges = erb_edges()
    weighting = k_weighting_response(0.5 * (edges[:-1] + edges[1:]))
    weighted: FloatArray = late @ (power * weighting)
    return weighted
