"""Which passage of a cue is the densest, and so the one worth analysing.

*Conventions*: audio (channel, frame); activity (band, step) with the cost's 39 bands and steps of
`STEP_SECONDS`; times in s from the start of the cue.

Dense means that many layers sound in the same band at the same time: in each band and step every
pair of tracks counts with the product of how present the two are there. A track's presence is its
energy against its own loud steps, compressed so that quiet layers count too; bands count equally
per ERB, so that the lows, where most cues are crowded, are not outvoted.

`activity`: of one track, block by block. `overlap`: of all tracks. `densest`: the passages.

Sources
-------
Bands: see `sim.bands`. The measure is this project's own. Exponent 0.3: about the loudness of a
sound against its intensity (Stevens 1955, J. Acoust. Soc. Am. 27, 815-829).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.bands import ERB_CENTRES, FloatArray, erb_edges, power_weights

STEP_SECONDS = 0.25
COMPRESSION = 0.3
LOUD_PERCENTILE = 95.0
"""A track's own reference: the energy of its loud steps."""
PRESENT = 0.2
"""Compressed presence above which a track is said to sound (about -23 dB)."""
SILENT_POWER = 1e-10


@dataclass(frozen=True, slots=True)
class Excerpt:
    """One passage of a cue.

    Attributes
    ----------
    start, end : s
    density : mean overlap in it
    tracks : how many tracks sound in it at once, on average
    low, high : Hz, edges of the most crowded third of the bands
    """

    start: float
    end: float
    density: float
    tracks: float
    low: float
    high: float

    @property
    def words(self) -> str:
        """Say which passage it is and why."""
        return (
            f"{self.start:.1f} to {self.end:.1f} s: {self.tracks:.0f} tracks sound at once, "
            f"most crowded between {self.low:.0f} and {self.high:.0f} Hz"
        )


def activity(blocks: Iterable[NDArray[Any]], sample_rate: int) -> FloatArray:
    """Energy of one track in each band and step.

    Parameters
    ----------
    blocks : iterable of (channel, frame)
        The track's sound in order; blocks may have any length.
    sample_rate : int
        Hz.

    Returns
    -------
    (39, step) FloatArray
        Mean power; a last, incomplete step is filled up with silence.
    """
    size = round(STEP_SECONDS * sample_rate)
    weights = power_weights(erb_edges(), np.fft.rfftfreq(size, 1.0 / sample_rate))
    taper = np.hanning(size).astype(np.float32)
    held = np.zeros((0, 0), np.float32)
    found: list[FloatArray] = []
    for block in blocks:
        held = block if held.size == 0 else np.concatenate([held, block], axis=1)
        whole = held.shape[1] // size
        found.append(_steps(held[:, : whole * size], taper, weights))
        held = held[:, whole * size :]
    if held.size:
        rest = np.pad(held, ((0, 0), (0, size - held.shape[1])))
        found.append(_steps(rest, taper, weights))
    return np.concatenate(found, axis=1) if found else np.zeros((weights.shape[0], 0))


def _steps(samples: NDArray[Any], taper: FloatArray, weights: FloatArray) -> FloatArray:
    """Band powers of whole steps, channels summed: (channel, step * size) to (39, step)."""
    size = taper.size
    frames = samples.reshape(samples.shape[0], -1, size) * taper
    spectrum = np.fft.rfft(frames, axis=2)
    power = (np.square(spectrum.real) + np.square(spectrum.imag)).sum(axis=0)
    energy: FloatArray = weights @ power.T * (2.0 / (size * np.square(taper).sum()))
    return energy


def presence(energy: FloatArray) -> FloatArray:
    """Compressed energy of a track against its own loud steps, (39, step), 0 to 1."""
    whole = energy.sum(axis=0)
    sounding = whole[whole > SILENT_POWER]
    if sounding.size == 0:
        return np.zeros_like(energy)
    loud = np.percentile(sounding, LOUD_PERCENTILE)
    share: FloatArray = np.minimum(energy / loud, 1.0) ** COMPRESSION
    return share


def overlap(present: Sequence[FloatArray]) -> FloatArray:
    """Products of presence summed over all pairs of tracks, (39, step).

    Parameters
    ----------
    present : sequence of (39, step) FloatArray
        Presence of each track; a shorter track is silent at the end.
    """
    steps = max((one.shape[1] for one in present), default=0)
    total = np.zeros((ERB_CENTRES.size, steps))
    squares = np.zeros_like(total)
    for one in present:
        total[:, : one.shape[1]] += one
        squares[:, : one.shape[1]] += np.square(one)
    return 0.5 * (np.square(total) - squares)


def densest(activities: Sequence[FloatArray], length: float, count: int = 1) -> list[Excerpt]:
    """Find the densest passages of a cue, densest first.

    Parameters
    ----------
    activities : sequence of (39, step) FloatArray
        `activity` of each track.
    length : float
        Length of a passage in s; a shorter cue is one passage.
    count : int
        How many passages are wanted; they do not overlap, so there may be fewer.

    Returns
    -------
    list of Excerpt
        Empty only without tracks.
    """
    present = [presence(one) for one in activities]
    crowd = overlap(present)
    steps = crowd.shape[1]
    if steps == 0:
        return []
    width = min(steps, max(1, round(length / STEP_SECONDS)))
    sums = np.concatenate([[0.0], np.cumsum(crowd.sum(axis=0))])
    means = (sums[width:] - sums[:-width]) / width
    found: list[Excerpt] = []
    while len(found) < count and np.isfinite(means).any():
        first = int(np.argmax(np.where(np.isfinite(means), means, -1.0)))
        found.append(_passage(present, crowd, first, width))
        means[max(0, first - width + 1) : first + width] = np.nan
    return found


def _passage(present: Sequence[FloatArray], crowd: FloatArray, first: int, width: int) -> Excerpt:
    """Describe the passage of `width` steps that begins at step `first`."""
    part = slice(first, first + width)
    sounding = sum(
        float((one[:, part].max(axis=0, initial=0.0) > PRESENT).sum()) / width for one in present
    )
    bands = crowd[:, part].mean(axis=1)
    third = bands.size // 3
    low = int(np.argmax(np.convolve(bands, np.ones(third), "valid")))
    edges = erb_edges()
    return Excerpt(
        start=first * STEP_SECONDS,
        end=(first + width) * STEP_SECONDS,
        density=float(bands.sum()),
        tracks=sounding,
        low=float(edges[low]),
        high=float(edges[low + third]),
    )
