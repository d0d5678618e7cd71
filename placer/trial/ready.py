"""From a cue file to everything that scores: stems read, passage chosen, tables built.

*Conventions*: `Screen` is told of each stage.

`survey_cue`: every stem read once. `choose_span`: the passage to analyse. `make_ready`: the judge.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from placer.audio.excerpt import densest
from placer.audio.survey import Survey, survey
from placer.cue.records import Cue
from placer.errors import CueError
from placer.progress import Screen
from placer.trial.judge import Judge
from placer.trial.kept import MOST_BYTES as KEPT
from placer.trial.material import gather
from placer.trial.oddities import odd_lines
from placer.trial.passages import MOST_BYTES as HELD
from placer.trial.passages import read_passages
from placer.trial.scoring import Known

THREADS = 2
"""Tracks whose stems are read at a time."""


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
    span, words = choose_span(cue, surveys)
    notes = [words]
    for one in surveys:
        notes += [
            f"{path.name}: {rate} Hz converted to {cue.sample_rate} Hz"
            for path, rate in one.resampled
        ]
    odd = odd_lines(cue, surveys, span)
    return Surveyed(cue, tuple(surveys), span, tuple(notes), tuple(odd))


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
    surveyed: Surveyed,
    screen: Screen,
    *,
    workers: int = 1,
    threads: int | None = None,
    known: Known | None = None,
) -> Judge:
    """Read the passage, build or load the tables, score the reference.

    Parameters
    ----------
    surveyed : Surveyed
    screen : Screen
    workers : int
        Processes that share the machine, each with a judge: what one keeps in memory is so much
        smaller.
    threads : int, optional
        That scoring may use: one where there are several workers, else two.
    known : Known, optional
        From the judge of another process for the same stems and cue.

    Returns
    -------
    Judge

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
    screen.stage("placement tables", len(cue.tracks))
    done: list[str] = []

    def built(name: str) -> None:
        done.append(name)
        screen.advance(len(done), name)

    material = gather(cue, passages, progress=built)
    screen.stage("reference")
    judge = Judge(material, threads=threads or (1 if workers > 1 else 2), known=known)
    judge.scorer.kept.bound(KEPT // workers)
    return judge
