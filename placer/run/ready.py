"""From a cue file to everything that judges: stems read, passage chosen, reference measured.

*Conventions*: `Screen` is told of each stage.

`survey_cue`: every stem read once. `choose_span`: the passage to analyse. `make_ready`: the
evaluator. `cue_hash`: what makes two runs the same run. `settings_hash`: the same without stems.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from placer.audio.excerpt import STEP_SECONDS, densest
from placer.audio.files import content_hash
from placer.audio.k_weighting import k_weighting_response
from placer.audio.survey import Survey, survey
from placer.cue.records import Cue
from placer.errors import CueError
from placer.placement.passages import MOST_BYTES as HELD
from placer.placement.passages import read_passages
from placer.progress import Screen
from placer.run.evaluator import MOST_BYTES as MEASURED
from placer.run.evaluator import Evaluator, build
from placer.run.oddities import odd_lines
from sim.bands import ERB_CENTRES
from sim.decibel import FloatArray

SHORTER = 0.5
"""s by which the composer's own mix may be shorter than the longest stem."""

THREADS = 2
"""Tracks whose stems are read at a time."""

BETWEEN_RUNS = ("trials",)
"""Search settings that may change when a run goes on."""

MEASURING = {"dry": 0.13, "recorded": 0.05}
"""Seconds of work that a second of the passage asks for in each track, by its kind; seen on a busy
machine (demo, passages of 10 and 12 s: 1.0 and 1.4 s a dry track, 0.4 and 0.5 a recorded one)."""

LOW_HZ = 250.0 * 2.0 ** (1.0 / 6.0)
"""Upper edge of the lows, the third at 250 Hz, Hz."""

LEAST_PART = 1e-3
"""Part of a track's energy that the passage must hold to say how the rest of the file leans."""


@dataclass(frozen=True, slots=True)
class Surveyed:
    """What all stems hold and which passage is analysed.

    Attributes
    ----------
    cue : Cue
    surveys : one a track
    span : (start, end) of the passage, s
    notes : what a person should know, one line each; the passage first
    odd : what is odd about the stems, one line each
    """

    cue: Cue
    surveys: tuple[Survey, ...]
    span: tuple[float, float]
    notes: tuple[str, ...]
    odd: tuple[str, ...]

    @property
    def seconds(self) -> float:
        """Length of the cue, s."""
        return max(one.seconds for one in self.surveys)


def survey_cue(cue: Cue, screen: Screen) -> Surveyed:
    """Read every stem once and choose the passage.

    Raises
    ------
    AudioError
        A stem that cannot be used.
    CueError
        The excerpt named in the cue file lies beyond its end.
    """
    screen.stage("reading stems", len(cue.tracks))
    surveys = []
    with ThreadPoolExecutor(THREADS) as pool:
        found = pool.map(lambda track: survey(track.files, cue.sample_rate), cue.tracks)
        for number, (track, one) in enumerate(zip(cue.tracks, found, strict=True), 1):
            surveys.append(one)
            screen.advance(number, track.name)
    if cue.compare is not None:
        _check_own_mix(cue, cue.compare, max(one.seconds for one in surveys))
    span, words = choose_span(cue, surveys)
    converted = [
        f"{path.name}: {rate} Hz converted to {cue.sample_rate} Hz"
        for one in surveys
        for path, rate in one.resampled
    ]
    odd = odd_lines(cue, surveys, span)
    return Surveyed(cue, tuple(surveys), span, (words, *converted), tuple(odd))


def _check_own_mix(cue: Cue, path: Path, seconds: float) -> None:
    """Read the composer's own mix from end to end, so that no night ends with its mistake."""
    found = survey([path], cue.sample_rate).seconds
    if found < seconds - SHORTER:
        raise CueError(
            f"{cue.path}: cue.compare = {path.name!r}: is {found:.1f} s long, the cue "
            f"{seconds:.1f} s; export your mix over the range of the stems, or longer"
        )


def choose_span(cue: Cue, surveys: list[Survey]) -> tuple[tuple[float, float], str]:
    """The passage to analyse, and why, in words."""
    seconds = max(one.seconds for one in surveys)
    if cue.excerpt is not None:
        start, end = cue.excerpt
        if end > seconds + 0.5:
            raise CueError(
                f"{cue.path}: cue.excerpt = [{start:g}, {end:g}] ends after the longest stem "
                f"({seconds:.1f} s); name a passage inside it or leave it out"
            )
        return (start, min(end, seconds)), f"passage {start:.1f} to {end:.1f} s, as the cue says"
    found = densest([one.activity for one in surveys], cue.excerpt_length)[0]
    return (found.start, min(found.end, seconds)), f"densest passage {found.words}"


def make_ready(
    surveyed: Surveyed, screen: Screen, *, workers: int = 1, threads: int | None = None
) -> Evaluator:
    """Read the passage and measure the reference.

    Parameters
    ----------
    workers : int
        Processes that share the machine, each with an evaluator: what one keeps in memory is so
        much smaller.
    threads : int, optional
        That the fast loop may use: one where there are several workers, else two.

    Raises
    ------
    CueError
        Nothing sounds in the passage.
    """
    cue = surveyed.cue
    passages = read_passages(cue, surveyed.span, most_bytes=HELD // workers)
    if all(passage.silent for passage in passages):
        start, end = surveyed.span
        raise CueError(
            f"{cue.path}: cue.excerpt = [{start:g}, {end:g}]: every stem is silent there; name a "
            "passage in which they play or leave it out"
        )
    screen.stage("measuring the reference", len(cue.tracks) + 1)
    done: list[str] = []

    def measured(name: str) -> None:
        done.append(name)
        screen.advance(len(done), "all of them together" if len(done) == len(cue.tracks) else name)

    built = build(
        cue,
        passages,
        elsewhere=np.stack([elsewhere_of(one, surveyed.span) for one in surveyed.surveys]),
        threads=threads or (1 if workers > 1 else 2),
        progress=measured,
        most_bytes=MEASURED // workers,
    )
    screen.advance(len(cue.tracks) + 1)
    return built


def elsewhere_of(found: Survey, span: tuple[float, float]) -> FloatArray:
    """Energy of a track in its whole file against that in a passage, as `Scene.elsewhere`.

    Parameters
    ----------
    found : Survey
    span : (from, to)
        s.

    Returns
    -------
    (2,) FloatArray
        K-weighted, and of the lows; 1 where the track rests in the passage.
    """
    first, last = round(span[0] / STEP_SECONDS), round(span[1] / STEP_SECONDS)
    weights = np.stack([k_weighting_response(ERB_CENTRES), ERB_CENTRES < LOW_HZ])
    inside, whole = (
        weights @ part.sum(1) for part in (found.activity[:, first:last], found.activity)
    )
    sounds = inside > LEAST_PART * whole
    return np.where(sounds, whole / np.where(sounds, inside, 1.0), 1.0)


def measuring_seconds(cue: Cue, span: tuple[float, float]) -> float:
    """How long measuring the reference takes the first time, s; nothing is kept yet."""
    each = sum(MEASURING.get(track.kind, 0.0) for track in cue.tracks)
    return each * (span[1] - span[0])


def cue_hash(cue: Cue, files: Sequence[Sequence[str]] | None = None) -> str:
    """Hash of all that decides a result: the cue's values and the bytes of its stems.

    Parameters
    ----------
    cue : Cue
    files : sequence of sequence of str, optional
        `Survey.hashes` of each track; without them every stem is read.

    Raises
    ------
    AudioError
        A stem that cannot be read.
    """
    values = _deciding_values(cue)
    for track, hashes in zip(values["tracks"], files or _file_hashes(cue), strict=True):
        track["files"] = list(hashes)
    return _digest(values)


def _file_hashes(cue: Cue) -> list[list[str]]:
    with ThreadPoolExecutor(THREADS) as pool:
        return list(
            pool.map(lambda track: [content_hash(path) for path in track.files], cue.tracks)
        )


def settings_hash(cue: Cue) -> str:
    """Hash of the cue's values without the bytes of its stems."""
    values = _deciding_values(cue)
    for track in values["tracks"]:
        track["files"] = len(track["files"])
    return _digest(values)


def _deciding_values(cue: Cue) -> dict[str, Any]:
    """Values of a cue that decide a result, plain but for the files of its tracks."""
    values = dataclasses.asdict(cue)
    del values["path"], values["compare"]  # listened to, but no part of the search
    for name in BETWEEN_RUNS:
        del values["search"][name]
    for track in values["tracks"]:
        track["locks"] = sorted(track["locks"])
    return values


def _digest(values: dict[str, Any]) -> str:
    text = json.dumps(values, sort_keys=True)
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()
