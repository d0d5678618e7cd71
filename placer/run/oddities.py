"""What is odd about the stems of a cue, what it may mean, and what the tool does with it.

*Conventions*: one line for each oddity: track (and file where it has several), what is odd, what
happens. Nothing here refuses a stem: what cannot be used at all is an error when it is read.

`odd_lines`: all lines. Thresholds are common practice, no source, unless they say otherwise.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from placer.audio.excerpt import SILENT_POWER, STEP_SECONDS
from placer.audio.pairs import MonoPair
from placer.audio.survey import Survey
from placer.audio.traits import Traits, twins
from placer.cue.records import Cue, Track
from sim.decibel import amplitude_db

SAME_LENGTH = 0.02
"""Files whose lengths differ by this part count as equally long."""
ODD_LENGTH, ODD_SECONDS = 0.1, 0.5
"""Part and s by which a file must differ from the usual length to be named."""
POSITION_LENGTH = 0.05
"""s by which files of one track may differ."""
REFUSED_LENGTH = 1.0
"""s from which `placement.passages.read_passage` refuses it."""
POSITION_START = 0.2
"""s by which the positions of a track may begin apart: sound takes that long for 70 m."""
LATE_ENTRY = (4.0, 0.25)
"""s and part of the cue behind the middle entry that make a late one."""
TRIMMED, OTHERS_WAIT = 0.02, 0.3
"""s: one that begins before the first where most others begin after the second."""
MOST = 0.2
"""Quantile of the others' beginnings that stands for most of them."""
LOW_RATE = 32000
FEW_BITS = 12
QUIET_DB = -60.0
FULL_SCALE = 0.995
LOWER_CLIPS = 3
"""Flat tops that make a clip where they lie below full scale."""
DC, DC_SHARE = 1e-3, 0.02
"""Mean sample (-60 dBFS), and its part of the RMS, from which an offset is named."""
START_JUMP, END_DB = 0.1, -30.0
"""Part of the peak in the first 0.1 ms, and level of the last 10 ms, of a cut."""
TWIN = 0.9995
"""Correlation from which two files are the same sound (-30 dB of difference)."""
CANCELLED = 1e-4
"""Energy of a sum against its parts' (-40 dB) below which it cancels."""
NAMED, FIRST = 6, 3
"""Late entries that are named; files that may be odd alike with a line each, and those named where
more are."""


@dataclass(frozen=True, slots=True)
class _File:
    """One file of a cue: its track, how a line calls it, and its traits."""

    track: Track
    index: int
    label: str
    traits: Traits


def odd_lines(cue: Cue, surveys: Sequence[Survey], span: tuple[float, float]) -> list[str]:
    """Everything odd about the stems.

    Parameters
    ----------
    surveys : sequence of Survey
        One a track.
    span : (start, end) in s
        The passage that is analysed.
    """
    files = [
        _File(track, index, _label(track, number), traits)
        for index, (track, survey) in enumerate(zip(cue.tracks, surveys, strict=True))
        for number, traits in enumerate(survey.traits)
    ]
    alone = [(file.label, said) for file in files for said in _alone(file.traits, cue.sample_rate)]
    return [
        *_lengths(files),
        *_together(alone),
        *_positions(files),
        *_starts(files, max(survey.seconds for survey in surveys)),
        *_silent(cue, surveys, span),
        *_twins(files),
    ]


def _together(lines: Sequence[tuple[str, str]]) -> Iterator[str]:
    """One line for what is odd about many files alike, whatever its numbers."""
    alike: dict[str, list[tuple[str, str]]] = {}
    for label, said in lines:
        alike.setdefault(re.sub(r"[\d.]+", "#", said), []).append((label, said))
    for some in alike.values():
        if len(some) <= NAMED:
            yield from (f"{label}: {said}" for label, said in some)
            continue
        first = ", ".join(label for label, _ in some[:FIRST])
        yield f"{len(some)} files, {first} and {len(some) - FIRST} more: {some[0][1]}"


def _label(track: Track, number: int) -> str:
    """How a line names a file: its track, its position where there are several, its name."""
    name = track.files[number].name
    position = f" {track.positions[number]}" if len(track.files) > 1 else ""
    return f"{track.name}{position} ({name})"


def _lengths(files: Sequence[_File]) -> Iterator[str]:
    """Files much shorter or longer than the rest."""
    seconds = np.array([file.traits.seconds for file in files])
    near = np.abs(seconds[:, None] - seconds) <= SAME_LENGTH * np.maximum(seconds[:, None], seconds)
    # the length that most files share; of two such, the longer one
    usual = seconds[max(range(len(files)), key=lambda i: (int(near[i].sum()), seconds[i]))]
    for file, length in zip(files, seconds, strict=True):
        if abs(length - usual) <= max(ODD_SECONDS, ODD_LENGTH * usual):
            continue
        if length < usual:
            does = "silent after its end; was its export cut short?"
        else:
            does = "every mix gets its length; is its range right?"
        yield (
            f"{file.label}: {length:.1f} s long, {100 * length / usual:.0f} % of the {usual:.1f} s "
            f"that most files have: {does}"
        )


def _alone(traits: Traits, sample_rate: int) -> Iterator[str]:
    """What is odd about one file by itself."""
    if traits.sample_rate != sample_rate:
        low = traits.sample_rate < LOW_RATE
        lacks = f"; it holds nothing above {traits.sample_rate // 2} Hz" if low else ""
        yield f"{traits.sample_rate} Hz, converted to {sample_rate} Hz{lacks}"
    if 0 < traits.bits < FEW_BITS:
        yield f"{traits.bits} bits, so noise comes with it: used as it is; export 24 bits"
    yield from _level(traits)
    yield from _sides(traits)
    if traits.first > START_JUMP * traits.peak:
        yield "begins in the middle of a sound: used as it is; was its start cut off?"
    end = _db(traits.last, traits.peak)
    if traits.ends >= traits.seconds - 0.02 and end > END_DB:
        yield (
            f"ends in the middle of a sound ({-end:.0f} dB below its peak): silent after "
            "its end; was its end cut off?"
        )


def _level(traits: Traits) -> Iterator[str]:
    """Clips, levels and constant offsets."""
    full = traits.peak >= FULL_SCALE
    if traits.clips >= (1 if full else LOWER_CLIPS):
        where = "" if full else f", then turned down to {_db(traits.peak):.1f} dBFS"
        yield (
            f"clipped in {traits.clips} places{where}, first at {traits.clipped_at:.2f} "
            "s: used as it is, distortion included; export it with a lower gain"
        )
    elif traits.peak > 1.0 + 1e-6:
        yield (
            f"peaks {_db(traits.peak):.1f} dB above full scale: read as it is and not "
            "clipped, since its samples are floats"
        )
    if _db(traits.peak) < QUIET_DB:
        yield (
            f"peaks at {_db(traits.peak):.0f} dBFS only: used as it is, so that it will "
            "hardly be heard; is its fader down?"
        )
    least = max(DC, 2.0 ** (1 - traits.bits) if traits.bits else 0.0, DC_SHARE * traits.rms)
    if abs(traits.mean) >= least:
        yield (
            f"constant offset (DC) of {_db(abs(traits.mean)):.0f} dBFS: nothing is "
            "filtered, so it takes headroom from every mix; remove it and export again"
        )


def _sides(traits: Traits) -> Iterator[str]:
    """A stereo file that is none, or that cancels in mono."""
    left, right, total, difference = traits.sides
    both = left + right
    if both <= 0.0:
        return
    if min(left, right) < CANCELLED**2 * both:
        side = "left" if left < right else "right"
        yield (
            f"its {side} channel is silent: used as it is, so from one side; was it meant to be "
            "mono?"
        )
    elif total < CANCELLED * both:
        yield (
            "left and right are one sound with opposite polarity, so it vanishes in "
            "mono: used as it is; flip one channel"
        )
    elif difference < CANCELLED**2 * both:
        pair = isinstance(traits.path, MonoPair)
        yield (
            f"left and right are the same, a mono sound in "
            f"{'two files' if pair else 'a stereo file'}: used as it is, twice the work; "
            f"{'name one of them' if pair else 'export it as mono'}"
        )


def _positions(files: Sequence[_File]) -> Iterator[str]:
    """Positions of one track that were not exported over one range."""
    for _, group in itertools.groupby(files, key=lambda file: file.index):
        found = list(group)
        longest = max(found, key=lambda file: file.traits.seconds)
        for file in found:
            missing = longest.traits.seconds - file.traits.seconds
            if missing > REFUSED_LENGTH:
                yield (
                    f"{file.label}: {missing:.1f} s shorter than the longest position of its "
                    "track: too much, a search refuses it; export all positions over one range"
                )
            elif missing > POSITION_LENGTH:
                yield (
                    f"{file.label}: {missing:.2f} s shorter than the position "
                    f"{longest.track.positions[found.index(longest)]} of its track: silent after "
                    "its end; all positions need one range, else they do not line up"
                )
        first = min(found, key=lambda file: file.traits.begins)
        for file in found:
            late = file.traits.begins - first.traits.begins
            if late > POSITION_START:
                yield (
                    f"{file.label}: begins {late:.2f} s after the position "
                    f"{first.track.positions[found.index(first)]} of its track, longer than sound "
                    "takes through any hall: used as it is; were both exported from one moment?"
                )


def _starts(files: Sequence[_File], seconds: float) -> Iterator[str]:
    """Tracks that begin far from where the others do: only a hint, for music may want it."""
    begins: dict[str, float] = {}
    for file in files:
        name = file.track.name
        begins[name] = min(begins.get(name, math.inf), file.traits.begins)
    if len(begins) < 2:
        return
    for name, begin in begins.items():
        rest = float(np.quantile([other for key, other in begins.items() if key != name], MOST))
        if begin <= TRIMMED and rest >= OTHERS_WAIT:
            yield (
                f"{name}: sounds at once, most others only from {rest:.1f} s on: used as it is; "
                "was the silence before it cut off? Then it is too early"
            )
    usual = float(np.median(list(begins.values())))
    late = {
        name: begin
        for name, begin in begins.items()
        if begin > usual + max(LATE_ENTRY[0], LATE_ENTRY[1] * seconds)
    }
    if late:
        told = ", ".join(f"{name} at {begin:.1f} s" for name, begin in list(late.items())[:NAMED])
        more = f" and {len(late) - NAMED} more" if len(late) > NAMED else ""
        yield (
            f"{told}{more}: long silence first, where half of the tracks begin by {usual:.1f} s: "
            "used as it is; a hint only, right if the music rests there"
        )


def _silent(cue: Cue, surveys: Sequence[Survey], span: tuple[float, float]) -> Iterator[str]:
    """Tracks that say nothing in the passage."""
    first, last = int(span[0] / STEP_SECONDS), math.ceil(span[1] / STEP_SECONDS)
    for track, survey in zip(cue.tracks, surveys, strict=True):
        if float(survey.activity[:, first:last].sum(axis=0).max(initial=0.0)) <= SILENT_POWER:
            yield (
                f"{track.name}: silent in the passage ({span[0]:.1f} to {span[1]:.1f} s): it "
                "cannot be judged there, so it keeps its reference placement; name another excerpt "
                "if it matters"
            )


def _twins(files: Sequence[_File]) -> Iterator[str]:
    """Files that hold the same sound, or the same with its polarity flipped."""
    named: set[tuple[int, int]] = set()
    for first, second, correlation, gain in twins([file.traits.signature for file in files], TWIN):
        one, other = files[first], files[second]
        if one.index != other.index and (one.index, other.index) in named:
            continue  # one line for two tracks
        named.add((one.index, other.index))
        level = "" if abs(_db(abs(gain))) < 0.05 else f" at {_db(abs(gain)):+.1f} dB"
        if correlation < 0.0:
            yield (
                f"{other.label}: the same sound as {one.label}{level} with its polarity flipped: "
                "both are used, and where they meet they cancel; take one out or flip it"
            )
        elif one.index == other.index:
            yield (
                f"{other.label}: the same sound as {one.label}{level}, two positions of one track: "
                "used as they are, so that choosing between them only changes the level; export "
                "each position by itself"
            )
        else:
            yield (
                f"{other.label}: the same sound as {one.label}{level}: both are used and hide one "
                "another; take one out, or give both one group"
            )


def _db(value: float, against: float = 1.0) -> float:
    """Level in dB of a sample against another, never minus infinity."""
    return float(amplitude_db(value / against if against > 0.0 else 0.0))
