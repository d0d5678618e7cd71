"""The analysed passage of every track, within a bound of memory.

*Conventions*: as `placer.placement.passages`. Dry stems are held first, as long as there is room,
for they are small and asked for most; then recorded ones, each kind in order of tracks. What is not
held is read from the stems again whenever it is asked for.

`read_passages`: all tracks. `Reread`: a passage that can be read again.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

from placer.cue.records import Cue, Track
from placer.placement.layout import Layout
from placer.placement.passages import Passage, read_passage
from sim.decibel import FloatArray

MOST_BYTES = 400 * 1024**2
"""Samples that are held."""

THREADS = 2


class Reread(Passage):
    """A passage whose samples are held, or else read whenever they are asked for.

    Parameters
    ----------
    read : callable
        Gives the samples, the same each time.
    sample_rate : int
        Hz.
    silent : bool
    held : (channel, frame) FloatArray, optional
        The samples, until `let_go`.
    """

    __slots__ = ("_held", "_read", "_silent")
    _read: Callable[[], FloatArray]
    _silent: bool
    _held: FloatArray | None

    def __init__(
        self,
        read: Callable[[], FloatArray],
        layout: Layout,
        *,
        sample_rate: int,
        silent: bool,
        held: FloatArray | None = None,
    ) -> None:
        given = {
            "layout": layout, "sample_rate": sample_rate,
            "_read": read, "_silent": silent, "_held": held,
        }  # fmt: skip
        for name, value in given.items():
            object.__setattr__(self, name, value)

    @property
    def samples(self) -> FloatArray:
        """Samples (channel, frame) float32."""
        return self._read() if self._held is None else self._held

    @property
    def silent(self) -> bool:
        """Whether the track says nothing in the passage."""
        return self._silent

    @property
    def held(self) -> bool:
        """Whether the samples are in memory."""
        return self._held is not None

    def let_go(self) -> None:
        """Hold no samples from now on."""
        object.__setattr__(self, "_held", None)


def read_passages(
    cue: Cue, span: tuple[float, float], *, most_bytes: int = MOST_BYTES
) -> tuple[Reread, ...]:
    """Read the passage of all tracks.

    Parameters
    ----------
    span : (start, end) in s
    most_bytes : int
        Samples that are held.

    Raises
    ------
    AudioError
        A file that cannot be used, or positions that differ in length by more than a second.
    """
    found: dict[int, Reread] = {}
    order = sorted(range(len(cue.tracks)), key=lambda index: cue.tracks[index].kind != "dry")
    left = most_bytes
    with ThreadPoolExecutor(THREADS) as pool:
        # a few at a time, so that no more than these lie about before it is known what is held
        for first in range(0, len(order), THREADS):
            some = order[first : first + THREADS]
            read = pool.map(lambda index: read_passage(cue, cue.tracks[index], span), some)
            for index, passage in zip(some, read, strict=True):
                fits = passage.samples.nbytes <= left
                left -= passage.samples.nbytes if fits else 0
                found[index] = _reread(cue, cue.tracks[index], span, passage, hold=fits)
    return tuple(found[index] for index in range(len(cue.tracks)))


def _reread(
    cue: Cue, track: Track, span: tuple[float, float], passage: Passage, *, hold: bool
) -> Reread:
    return Reread(
        lambda: read_passage(cue, track, span).samples,
        passage.layout,
        sample_rate=cue.sample_rate,
        silent=passage.silent,
        held=passage.samples if hold else None,
    )
