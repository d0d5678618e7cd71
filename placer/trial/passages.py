"""The analysed passage of every track, within a bound of memory.

*Conventions*: as `placer.placing.passages`. Dry stems, which are small, are always held; recorded
ones, eight channels or more each, as long as there is room, in order of tracks. What is not held is
read from the stems again whenever it is asked for.

`read_passages`: all tracks. `Unheld`: a passage that is read again.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

from placer.cue.records import Cue, Track
from placer.placing.layout import Layout
from placer.placing.passages import Passage, read_passage
from sim.decibel import FloatArray

MOST_BYTES = 500 * 1024**2
"""Samples of recorded tracks that are held."""

THREADS = 2


class Unheld(Passage):
    """A passage whose samples are read whenever they are asked for.

    Parameters
    ----------
    read : callable
        Gives the samples, the same each time.
    layout : Layout
    silent : bool
    """

    __slots__ = ("_read", "_silent")
    _read: Callable[[], FloatArray]
    _silent: bool

    def __init__(self, read: Callable[[], FloatArray], layout: Layout, *, silent: bool) -> None:
        for name, value in (("layout", layout), ("_read", read), ("_silent", silent)):
            object.__setattr__(self, name, value)

    @property
    def samples(self) -> FloatArray:
        """Samples (channel, frame) float32, read now."""
        return self._read()

    @property
    def silent(self) -> bool:
        """Whether the track says nothing in the passage."""
        return self._silent


def read_passages(
    cue: Cue, span: tuple[float, float], *, most_bytes: int = MOST_BYTES
) -> tuple[Passage, ...]:
    """Read the passage of all tracks.

    Parameters
    ----------
    cue : Cue
    span : (start, end) in s
    most_bytes : int
        Samples of recorded tracks that are held.

    Returns
    -------
    tuple of Passage

    Raises
    ------
    AudioError
        A file that cannot be used, or positions that differ in length by more than a second.
    """
    passages: list[Passage] = []
    held = 0
    with ThreadPoolExecutor(THREADS) as pool:
        # a few at a time, so that no more than these lie about before it is known what is held
        for first in range(0, len(cue.tracks), THREADS):
            some = cue.tracks[first : first + THREADS]
            read = pool.map(lambda track: read_passage(cue, track, span), some)
            for track, passage in zip(some, read, strict=True):
                if track.kind == "dry":
                    passages.append(passage)
                elif held + passage.samples.nbytes <= most_bytes:
                    held += passage.samples.nbytes
                    passages.append(passage)
                else:
                    passages.append(_unheld(cue, track, span, passage))
    return tuple(passages)


def _unheld(cue: Cue, track: Track, span: tuple[float, float], passage: Passage) -> Unheld:
    return Unheld(
        lambda: read_passage(cue, track, span).samples, passage.layout, silent=passage.silent
    )
