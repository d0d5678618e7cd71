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

SILENCE = 1e-10
"""Mean power below which a passage counts as silent (-100 dB)."""


@dataclass(frozen=True, slots=True)
class Passage:
    """One track's analysed sound.

    Attributes
    ----------
    samples : (channel, frame) float32
    layout : its channels as the table sees them (seven simulated ones for a dry track)
    """

    samples: FloatArray
    layout: Layout

    @property
    def silent(self) -> bool:
        """Whether the track says nothing in the passage, so that nothing can be judged."""
        return bool(np.mean(np.square(self.samples)) < SILENCE)


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
    cue : Cue
    track : Track
    span : (start, end) in s

    Returns
    -------
    Passage

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
    return Passage(np.concatenate(parts), track_layout(track, channels))
