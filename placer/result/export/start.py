"""When the stems of a cue begin on the session's timeline.

*Conventions*: samples since midnight. A stem without a time says nothing, so it has no vote.

`start_time`: of one file. `common_start`: of all stems of a cue, which begin together.

Sources
-------
EBU Tech 3285 (2011), Specification of the Broadcast Wave Format: TimeReference of the bext chunk.
iXML: TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI, _LO and TIMESTAMP_SAMPLE_RATE of SPEED (from memory).
"""

from __future__ import annotations

import struct
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from placer.audio.pairs import StemFile, files_of
from placer.errors import AudioError

DAY = 24 * 3600
"""s; a time beyond it is no time of day."""
FORMS = (b"RIFF", b"RF64", b"BW64")
UNREADABLE = (
    OSError, EOFError, ValueError, AssertionError, KeyError, TypeError, StopIteration, SyntaxError,
    struct.error,
)  # fmt: skip
"""What the reader raises for a chunk that is damaged (SyntaxError: of its XML)."""


@dataclass(frozen=True, slots=True)
class Start:
    """Where the stems begin.

    Attributes
    ----------
    samples : since midnight, at the cue's rate; 0 where no stem says anything
    stated : whether a stem says so
    doubts : one line for each thing that does not fit
    """

    samples: int = 0
    stated: bool = False
    doubts: tuple[str, ...] = ()


def start_time(path: Path) -> Fraction | None:
    """Time of day at which a WAV file begins, in s; None where it states none.

    The bext chunk counts first. Where its time is zero, iXML counts.

    Raises
    ------
    AudioError
        The chunks are damaged or the time is beyond midnight.
    """
    from wavinfo import WavInfoReader

    try:
        with path.open("rb") as file:
            if file.read(4) not in FORMS:
                return None
        found = WavInfoReader(str(path))
        rate = found.fmt.sample_rate
        bext = None if found.bext is None else Fraction(int(found.bext.time_reference), rate)
        xml = None if found.ixml is None else _ixml_time(found.ixml, rate)
    except UNREADABLE as error:
        raise AudioError(f"{path}: its start time cannot be read ({error!r:.80})") from error
    time = bext or xml or (bext if xml is None else xml)
    if time is not None and time >= DAY:
        raise AudioError(f"{path}: its start time, {float(time):.0f} s, lies beyond midnight")
    return time


def common_start(sources: Sequence[StemFile], sample_rate: int) -> Start:
    """Find when all stems begin: the time that most of those that state one agree on.

    Parameters
    ----------
    sources : sequence of StemFile
        Stems as they were exported from the session; each file of a pair has a vote.
    sample_rate : int
        Hz of the result, whatever the rates of the stems.

    Returns
    -------
    Start
    """
    times: dict[Path, int] = {}
    doubts = []
    for path in (path for source in sources for path in files_of(source)):
        try:
            time = start_time(path)
        except AudioError as error:
            doubts.append(str(error))
        else:
            if time is not None:
                times[path] = round(time * sample_rate)
    if not times:
        return Start(doubts=tuple(doubts))
    samples = Counter(times.values()).most_common(1)[0][0]
    others = [path for path, time in times.items() if abs(time - samples) > 1]
    if others:
        first = others[0]
        doubts.append(
            f"{len(others)} of {len(times)} start times differ: {first.name} says "
            f"{times[first] / sample_rate:.3f} s, most say {samples / sample_rate:.3f} s after "
            "midnight, which is used; do all stems begin together?"
        )
    return Start(samples, True, tuple(doubts))


def _ixml_time(ixml: Any, rate: int) -> Fraction | None:
    """Start time in s by iXML; its own sample rate counts where it is given."""

    def whole(key: str) -> int | None:
        text = ixml.parsed.findtext(f"./SPEED/{key}")
        return int(text) if text and text.strip() else None

    high, low = (whole(f"TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_{half}") for half in ("HI", "LO"))
    if low is None:
        return None
    return Fraction(((high or 0) << 32) + low, whole("TIMESTAMP_SAMPLE_RATE") or rate)
