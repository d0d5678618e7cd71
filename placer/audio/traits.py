"""What is worth knowing of one file before anything is judged by it: level, clips, offset, ends.

*Conventions*: audio (channel, frame) at the file's own rate; times in s from its start; peaks and
means linear, 1 is full scale.

`Observer`: fed block by block while a file is read. `Traits`: what it found. `twins`: files that
hold the same sound.

A *signature* is one number for each tenth of a second: the sound weighted by a fixed random pattern
of signs. It is linear, so a copy at another gain or polarity has a proportional signature, and 5
minutes take 12 kB.

Sources
-------
Random projections keep angles: Johnson & Lindenstrauss (1984), Contemp. Math. 26, 189-206.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from placer.audio.pairs import StemFile
from placer.audio.resample import Audio
from sim.decibel import FloatArray

SEGMENT = 0.1
"""s that one value of a signature stands for."""
PER_SEGMENT = 10
"""Levels a segment: one each 10 ms."""
PATTERN = np.random.default_rng(20).choice([-1.0, 1.0], 200)
"""Signs half a millisecond apart, joined by straight lines: the sample rate hardly counts."""
SOUNDING_DB = -60.0
"""Against its peak: below it a file is said not to have begun, or to have ended."""
START = 10000
"""Part of a second (0.1 ms) that counts as the very first of a file: no stroke rises within it."""
OFFSET_ROOM = 2.0
"""Times a constant offset that a sound must reach to be told from it."""
FLAT = 3
"""Equal samples in a row at the peak that make a clip ..."""
JUMP = 3e-4
"""... where the sample before lies lower by this part of the peak: a smooth top has no corner."""
MOST_CLIPS = 1000
BITS = {"PCM_U8": 8, "PCM_S8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
"""Bits of the integer formats; floats have no step that matters here."""


@dataclass(frozen=True, slots=True)
class Traits:
    """What one file holds.

    Attributes
    ----------
    path : of the file, or of the two of a pair
    sample_rate : Hz of the file
    bits : of its samples, 0 where they are floats
    seconds : length
    channels : 1 or 2
    peak : largest sample
    rms, mean : of the channel with the larger mean
    begins, ends : where sound within `SOUNDING_DB` of the peak begins and ends, s
    first, last : largest sample of the first 0.1 ms and of the last 10 ms, without the mean
    clips : places with a flat top at the peak
    clipped_at : the first of them, s
    sides : (4,) energy of left, right, their sum and their difference; zeros for mono
    signature : (segment,) of the channels together, or of the left where their sum cancels
    """

    path: StemFile
    sample_rate: int
    bits: int
    seconds: float
    channels: int
    peak: float
    rms: float
    mean: float
    begins: float
    ends: float
    first: float
    last: float
    clips: int
    clipped_at: float
    sides: tuple[float, float, float, float]
    signature: FloatArray


class Observer:
    """Watches a file go by.

    Parameters
    ----------
    path : StemFile
    sample_rate : int
        Hz of the file.
    channels : int
    subtype : str
        How its samples are stored.
    """

    def __init__(self, path: StemFile, sample_rate: int, channels: int, subtype: str) -> None:
        self._path, self._rate, self._channels = path, sample_rate, channels
        self._bits = BITS.get(subtype, 0)
        self._size = round(SEGMENT * sample_rate)
        part = (np.arange(self._size) + 0.5) / self._size
        signs = np.interp(part * PATTERN.size, np.arange(PATTERN.size), PATTERN)
        self._pattern = np.sin(np.pi * part) * signs / self._size
        self._held = np.zeros((channels, 0), np.float32)
        self._frames = 0
        self._start: Audio | None = None
        self._sums, self._squares = np.zeros(channels), np.zeros(channels)
        self._product = 0.0
        self._levels: list[FloatArray] = []
        self._signatures: list[FloatArray] = []
        self._tops = [_Top(sign, channel) for channel in range(channels) for sign in (1.0, -1.0)]

    def push(self, block: Audio) -> None:
        """Take in the next (channel, frame) of sound."""
        if self._start is None:
            self._start = block[:, : max(1, self._rate // START)].copy()
        for top in self._tops:
            top.push(block, self._frames, 1.5 * 2.0 ** (1 - self._bits) if self._bits else 0.0)
        self._frames += block.shape[1]
        self._sums += block.sum(axis=1, dtype=float)
        self._squares += np.square(block, dtype=float).sum(axis=1)
        if self._channels == 2:
            self._product += float(np.sum(block[0].astype(float) * block[1]))
        held = np.concatenate([self._held, block], axis=1)
        whole = held.shape[1] // self._size
        self._segments(held[:, : whole * self._size])
        self._held = held[:, whole * self._size :]

    def _segments(self, samples: Audio) -> None:
        """Levels and signatures of whole segments."""
        parts = samples.reshape(self._channels, -1, self._size)
        step = self._size // PER_SEGMENT
        split = np.abs(parts[..., : step * PER_SEGMENT]).max(axis=0, initial=0.0)
        self._levels.append(split.reshape(-1, PER_SEGMENT, step).max(axis=-1).ravel())
        self._signatures.append(parts @ self._pattern)

    def traits(self) -> Traits:
        """Give what the whole file holds; call it once, at the end."""
        rest = self._held
        if rest.shape[1]:
            self._segments(np.pad(rest, ((0, 0), (0, self._size - rest.shape[1]))))
        levels = np.concatenate(self._levels) if self._levels else np.zeros(1)
        peak = max(top.peak for top in self._tops)
        step = SEGMENT / PER_SEGMENT
        count = max(1, self._frames)
        means = self._sums / count
        worst = int(np.argmax(np.abs(means)))
        offset = abs(float(means[worst]))
        least = max(peak * 10.0 ** (SOUNDING_DB / 20.0), OFFSET_ROOM * offset)
        sounding = np.flatnonzero(levels >= least)
        seconds = self._frames / self._rate
        start = np.zeros(0) if self._start is None else self._start
        clips = [top for top in self._tops if top.clips]
        last = levels[max(0, int((self._frames / self._rate) / step) - 1) :]
        return Traits(
            path=self._path,
            sample_rate=self._rate,
            bits=self._bits,
            seconds=seconds,
            channels=self._channels,
            peak=peak,
            rms=float(np.sqrt(self._squares[worst] / count)),
            mean=float(means[worst]),
            begins=float(sounding[0]) * step if sounding.size else 0.0,
            ends=min(seconds, float(sounding[-1] + 1) * step) if sounding.size else seconds,
            first=max(0.0, float(np.abs(start).max(initial=0.0)) - offset),
            last=max(0.0, float(last.max(initial=0.0)) - offset),
            clips=sum(top.clips for top in clips if top.peak >= 0.5 * peak),
            clipped_at=min((top.at for top in clips), default=0) / self._rate,
            sides=self._sides(),
            signature=self._signature(),
        )

    def _sides(self) -> tuple[float, float, float, float]:
        if self._channels != 2:
            return (0.0, 0.0, 0.0, 0.0)
        left, right = float(self._squares[0]), float(self._squares[1])
        both = left + right
        return (left, right, both + 2.0 * self._product, both - 2.0 * self._product)

    def _signature(self) -> FloatArray:
        parts = np.concatenate(self._signatures, axis=1)
        whole = parts.sum(axis=0)
        left = parts[0]
        return np.asarray(left if np.sum(whole**2) < 1e-4 * np.sum(left**2) else whole, np.float32)


class _Top:
    """Flat tops of one polarity of one channel."""

    def __init__(self, sign: float, channel: int) -> None:
        self._sign, self._channel = np.float32(sign), channel
        self.peak, self.clips, self.at = 0.0, 0, 0

    def push(self, block: Audio, frame: int, step: float) -> None:
        """Count places at the largest sample so far; a larger one starts the count anew."""
        samples = block[self._channel] * self._sign
        top = float(samples.max(initial=0.0))
        if top > self.peak:
            self.peak, self.clips = top, 0
        if top < self.peak or top <= 0.0:
            return
        flat = samples == np.float32(self.peak)
        runs = np.flatnonzero(flat[1 : 1 - FLAT] & ~flat[:-FLAT]) + 1  # a run begins behind another
        for offset in range(1, FLAT):
            runs = runs[flat[runs + offset]]
        runs = runs[self.peak - samples[runs - 1] > max(JUMP * self.peak, step)]
        if runs.size and not self.clips:
            self.at = frame + int(runs[0])
        self.clips = min(MOST_CLIPS, self.clips + runs.size)


def twins(
    signatures: Sequence[FloatArray], least: float
) -> Iterator[tuple[int, int, float, float]]:
    """Find files that hold the same sound.

    Parameters
    ----------
    signatures : sequence of (segment,) FloatArray
        A shorter one is silent at its end.
    least : float
        Correlation from which two are the same, either way round.

    Yields
    ------
    (first, second, correlation, gain)
        Indices in order; -1 is the same sound with its polarity flipped; `gain` brings the first to
        the second.
    """
    length = max(one.size for one in signatures)
    rows = np.stack([np.pad(one, (0, length - one.size)) for one in signatures]).astype(float)
    sizes = np.sqrt(np.sum(rows**2, axis=1))
    unit = rows / np.where(sizes > 0.0, sizes, 1.0)[:, None]
    likeness = unit @ unit.T
    for first, second in np.argwhere(np.triu(np.abs(likeness) >= least, 1)):
        found = float(likeness[first, second])
        yield int(first), int(second), found, found * float(sizes[second] / sizes[first])
