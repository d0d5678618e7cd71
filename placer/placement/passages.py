"""The passage of every stem that is analysed.

*Conventions*: samples (channel, frame) float32 at the cue's rate, all tracks equally long, time
zero of the passage at the same instant in all; a recorded track's positions are stacked in order.

`Passage`: one track's sound. `read_passage`: from disk. `track_layout`: its channels.
"""

from __future__ import annotations

from dataclasses import dataclass

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


@dataclass(frozen=True, slots=True)
class Passage:
    """One track's analysed sound.

    Attributes
    ----------
    samples : (channel, frame) float32
    layout : its channels (seven simulated ones for a dry track)
    sample_rate : Hz
    """

    samples: FloatArray
    layout: Layout
    sample_rate: int

    @property
    def silent(self) -> bool:
        """Whether the track says nothing in the passage, so that nothing can be judged."""
        return loudest_power(self.samples, self.sample_rate) < SILENCE


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
    return Passage(np.concatenate(parts), track_layout(track, channels), cue.sample_rate)
