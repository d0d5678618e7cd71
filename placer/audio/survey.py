"""What every stem of a cue holds from end to end, read once, piece by piece.

*Conventions*: activity in 39 bands and steps of 0.25 s, as `placer.audio.excerpt`.

`survey`: one track's files; refuses silence and damage. `Survey`: what was found.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from placer.audio.checks import refuse_silence
from placer.audio.excerpt import activity
from placer.audio.files import BlockReader, content_hash, open_blocks
from placer.audio.pairs import StemFile
from placer.audio.traits import Observer, Traits
from sim.decibel import FloatArray


@dataclass(frozen=True, slots=True)
class Survey:
    """What one track's files hold.

    Attributes
    ----------
    activity : (39, step) energy of all files together
    seconds : length of the longest file, s
    resampled : files whose sample rate was converted, with their rates in Hz
    traits : one a file
    hashes : name of the exact bytes of each file (`files.content_hash`)
    """

    activity: FloatArray
    seconds: float
    resampled: tuple[tuple[StemFile, int], ...]
    traits: tuple[Traits, ...]
    hashes: tuple[str, ...]


def survey(paths: Sequence[StemFile], sample_rate: int) -> Survey:
    """Read a track's files from end to end.

    Parameters
    ----------
    paths : sequence of StemFile
        One a microphone position.
    sample_rate : int
        Hz to analyse at.

    Returns
    -------
    Survey

    Raises
    ------
    AudioError
        A file cannot be read, holds NaN or infinity, or is silent.
    """
    found, seconds, converted, traits, hashes = [], 0.0, [], [], []
    for path in paths:
        with open_blocks(path, sample_rate) as file:
            observer = Observer(path, file.info.sample_rate, file.channels, file.info.subtype)
            file.watch = observer.push
            found.append(activity(_watched(path, file), sample_rate))
            traits.append(observer.traits())
            seconds = max(seconds, file.info.seconds)
            if file.info.sample_rate != sample_rate:
                converted.append((path, file.info.sample_rate))
        hashes.append(content_hash(path))  # now, while the system still has the file in memory
    total = np.zeros((found[0].shape[0], max(one.shape[1] for one in found)))
    for one in found:
        total[:, : one.shape[1]] += one
    return Survey(total, seconds, tuple(converted), tuple(traits), tuple(hashes))


def _watched(path: StemFile, file: BlockReader) -> Iterator[np.ndarray]:
    """The file's blocks; at the end, an error if it never moved from its mean."""
    low = np.full(file.channels, np.inf, dtype=np.float32)
    high = -low
    total = np.zeros(file.channels)
    for block in file:
        low, high = np.minimum(low, block.min(1)), np.maximum(high, block.max(1))
        total += block.sum(1, dtype=float)
        yield block
    refuse_silence(path, low, high, (total / max(file.frames, 1)).astype(np.float32))
