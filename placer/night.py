"""A night of several cues: one after the other, each with its share of the time.

*Conventions*: a cue's share goes by its tracks; time for rendering is set aside.

`night`: runs the queue. `summary_page`: what one reads in the morning. `gained_words`: what a run
brings a listener.
"""

from __future__ import annotations

import html
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from placer.audio.atomic import write_text
from placer.clock import spoken
from placer.cue.read import read_cue
from placer.errors import FolderError, PlacerError
from placer.pipeline import SearchOrder, default_folder, rendering_seconds, search
from placer.progress import HEARING, Screen
from placer.result.folder import open_run
from placer.result.model import Mix, Result
from placer.result.words import front_average
from placer.search.batch import Job, Outcome, Row, exit_code, run_batch
from placer.search.interrupt import interruptible

PREPARE_SECONDS = 15.0
"""Set aside a cue for reading, tables and sheets, s."""

PAGE = "night.html"


@dataclass(frozen=True, slots=True)
class NightEnd:
    """How a night ended: lines to show, those about cues that failed, and the exit code."""

    lines: tuple[str, ...]
    failures: tuple[str, ...]
    code: int


def job_of(path: Path) -> Job:
    """A cue's place in the queue; a cue that cannot be read keeps one, to fail in its turn."""
    try:
        cue = read_cue(path)
        return Job(path, float(len(cue.tracks)), PREPARE_SECONDS + rendering_seconds(cue))
    except PlacerError:
        return Job(path, 1.0)


def night(
    cues: Sequence[Path], *, out: Path | None, seconds: float | None, workers: int, screen: Screen
) -> NightEnd:
    """Search several cues, whatever becomes of each.

    Parameters
    ----------
    cues : sequence of Path
    out : Path or None
        Folder for all run folders and the summary; beside each cue file where it is None.
    seconds : float or None
        Time for all; each cue's own number of trials where it is None.
    workers : int
    screen : Screen

    Returns
    -------
    NightEnd

    Raises
    ------
    FolderError
        `out` cannot be made, or two cues would share a run folder.
    """
    folders = run_folders(cues, out)
    deadline = None if seconds is None else time.monotonic() + seconds
    place = out or Path.cwd()
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FolderError(f"{place}: cannot be made ({error.strerror})") from error

    def run_one(path: Path, given: float | None) -> Outcome:
        screen.say(f"{path}: {'own number of trials' if given is None else spoken(given)}")
        order = SearchOrder(cue=path, out=folders[path], seconds=given, workers=workers)
        end = search(order, screen)
        result = open_run(end.folder).read_result()
        words = "; ".join(result.warnings[:2]) or "all demands met"
        code = 130 if end.interrupted else (0 if end.met else 1)
        return Outcome(code, words, gained=gained_words(result))

    with interruptible() as stop:
        rows = run_batch(
            [job_of(cue) for cue in cues], run_one, deadline=deadline, stop=stop,
            on_row=lambda row: screen.say(_row_line(row)),
        )  # fmt: skip
    write_text(place / PAGE, summary_page(rows, folders))
    lines = [_row_line(row) for row in rows]
    failures = [line for line, row in zip(lines, rows, strict=True) if row.state == "failed"]
    shown = (*lines, f"summary: {place / PAGE}", HEARING)
    return NightEnd(shown, tuple(failures), exit_code(rows))


def _row_line(row: Row) -> str:
    """What became of a cue, in one line."""
    gained = f"; {row.outcome.gained}" if row.outcome.gained else ""
    return f"{row.path}: {row.state}; {row.outcome.words}{gained}"


def gained_words(result: Result) -> str:
    """What a listener gains by each mix of a run: the foreground's mean audible share, and moves.

    Parameters
    ----------
    result : Result
    """
    if not result.mixes or not any(track.foreground for track in result.tracks):
        return ""

    def audible(mix: Mix) -> float:
        return 100.0 * front_average(result, mix)

    told = []
    for mix in result.mixes:
        moves = len(mix.moved)
        told.append(f"{audible(mix):.1f} % by moving {moves} track{'s' if moves != 1 else ''}")
    return f"foreground audible {audible(result.reference):.1f} %; {', '.join(told)}"


def run_folders(cues: Sequence[Path], out: Path | None) -> dict[Path, Path]:
    """Run folder of each cue; in a common folder, cues of one name are told apart by their own.

    Raises
    ------
    FolderError
        Two cues would share a run folder.
    """
    folders = {cue: default_folder(cue) for cue in cues}
    if out is not None:
        names = Counter(folder.name for folder in folders.values())
        for cue, folder in folders.items():
            kind = f"{cue.resolve().parent.name}-" if names[folder.name] > 1 else ""
            folders[cue] = out / f"{kind}{folder.name}"
    if len(set(folders.values())) < len(cues):
        raise FolderError("two cues would share one run folder; rename a cue file or run it alone")
    return folders


def summary_page(rows: Sequence[Row], folders: dict[Path, Path]) -> str:
    """One table: each cue, what became of it, what it gained and where to listen."""
    heads = ("cue", "state", "time", "what a listener gains", "remarks", "report")
    body = []
    for row in rows:
        outcome = row.outcome
        report = folders[row.path] / "report.html"
        link = f'<a href="{html.escape(report.resolve().as_uri())}">report</a>'
        cells = (
            str(row.path), row.state, spoken(row.used_seconds), outcome.gained, outcome.words,
        )  # fmt: skip
        shown = "".join(f"<td>{html.escape(cell)}</td>" for cell in cells)
        body.append(f"<tr>{shown}<td>{link if report.exists() else ''}</td></tr>")
    style = (
        ":root{color-scheme:light dark}body{font:1rem/1.5 system-ui,sans-serif;margin:2rem auto;"
        "max-width:70rem;padding:0 1rem}table{border-collapse:collapse;width:100%}"
        "td,th{border-bottom:1px solid;padding:.4rem;text-align:left;vertical-align:top}"
    )
    head = "".join(f'<th scope="col">{name}</th>' for name in heads)
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width"><title>Night of searches</title>'
        f"<style>{style}</style><h1>Night of searches</h1><p>{HEARING}</p>"
        f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(body)}</tbody></table></html>\n"
    )
