"""The passage of every stem that is analysed.

*Conventions*: samples (channel, frame) float32 at the cue's rate, all tracks equally long, time
zero of the passage at the same instant in all; a recorded track's positions are stacked in order.

`Passage`: one track's sound. `read_passage`: from disk. `read_passages`: all tracks, within a bound
of memory. `track_layout`: its channels.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from placer.audio.files import info, read_stem
from placer.cue.records import Cue, Track
from placer.errors import AudioError
from placer.placement.layout import DRY_LAYOUT, Layout
from sim.decibel import FloatArray

SILENCE = 1e-7
"""Power that no 400 ms of a passage reaches where it counts as silent: below the gate of BS.1770
(-70 dB), under which nothing has a loudness to be set back to."""

BLOCK_SECONDS = 0.4

MOST_BYTES = 400 * 1024**2
"""Samples that are held."""

THREADS = 2
"""Tracks read at a time."""


class Passage:
    """One track's analysed sound, held or else read whenever it is asked for.

    Parameters
    ----------
    samples : (channel, frame) float32
    layout : its channels (seven simulated ones for a dry track)
    sample_rate : Hz
    again : callable
        Reads the same samples.

    Attributes
    ----------
    silent : whether the track says nothing in the passage, so that nothing can be judged
    held : the samples, or None where they are not in memory
    """

    def __init__(
        self, samples: FloatArray, layout: Layout, sample_rate: int, again: Callable[[], FloatArray]
    ) -> None:
        self.held: FloatArray | None = samples
        self.layout, self.sample_rate, self._again = layout, sample_rate, again
        self.silent = loudest_power(samples, sample_rate) < SILENCE

    @property
    def samples(self) -> FloatArray:
        """Samples (channel, frame) float32."""
        return self._again() if self.held is None else self.held

    def let_go(self) -> None:
        """Hold no samples from now on."""
        self.held = None


def loudest_power(samples: FloatArray, sample_rate: int) -> float:
    """Greatest mean power of 400 ms of sound (channel, frame), all channels together."""
    power = np.sum(np.square(samples, dtype=np.float32), axis=0)
    size = max(1, round(BLOCK_SECONDS * sample_rate / 4))
    count = max(1, power.size // size)
    means = np.array([part.mean() for part in np.array_split(power, count)])
    runs = np.convolve(means, np.full(min(4, count), 1.0 / min(4, count)), mode="valid")
    return float(runs.max())


def file_channels(track: Track) -> tuple[int, ...]:
    """Channel count of each of a track's files."""
    return tuple(info(path).channels for path in track.files)


def track_layout(track: Track, channels: tuple[int, ...]) -> Layout:
    """Layout of a track whose files have these channel counts."""
    if track.kind == "dry":
        return DRY_LAYOUT
    return Layout(positions=track.positions, channels=channels)


def seconds_of(cue: Cue) -> float:
    """Length of the whole cue in s: its longest file."""
    return max(info(path).seconds for track in cue.tracks for path in track.files)


def read_passage(cue: Cue, track: Track, span: tuple[float, float]) -> Passage:
    """Read one track's passage.

    Parameters
    ----------
    span : (start, end) in s

    Raises
    ------
    AudioError
        A file that cannot be used, or positions that differ in length by more than a second.
    """
    parts = [read_stem(path, cue.sample_rate, span=span).samples for path in track.files]
    lengths = [info(path).seconds for path in track.files]
    if max(lengths) - min(lengths) > 1.0:
        shortest = track.files[int(np.argmin(lengths))]
        raise AudioError(
            f"{cue.path}: track {track.name!r}: {shortest} is {max(lengths) - min(lengths):.1f} s "
            "shorter than the longest of its positions; export all positions over one range"
        )
    channels = tuple(part.shape[0] for part in parts)
    return Passage(
        np.concatenate(parts),
        track_layout(track, channels),
        cue.sample_rate,
        lambda: read_passage(cue, track, span).samples,
    )


def read_passages(
    cue: Cue, span: tuple[float, float], *, most_bytes: int = MOST_BYTES
) -> tuple[Passage, ...]:
    """Read the passage of all tracks, and hold as many as there is room for.

    Dry stems are held first, for they are small and asked for most; then recorded ones, each kind
    in order of tracks.

    Parameters
    ----------
    span : (start, end) in s
    most_bytes : int
        Samples that are held.

    Raises
    ------
    AudioError
        As `read_passage`.
    """
    found: dict[int, Passage] = {}
    order = sorted(range(len(cue.tracks)), key=lambda index: cue.tracks[index].kind != "dry")
    left = most_bytes
    with ThreadPoolExecutor(THREADS) as pool:
        # a few at a time, so that no more than these lie about before it is known what is held
        for first in range(0, len(order), THREADS):
            some = order[first : first + THREADS]
            read = pool.map(lambda index: read_passage(cue, cue.tracks[index], span), some)
            for index, passage in zip(some, read, strict=True):
                size = passage.samples.nbytes
                if size <= left:
                    left -= size
                else:
                    passage.let_go()
                found[index] = passage
    return tuple(found[index] for index in range(len(cue.tracks)))
