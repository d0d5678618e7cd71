"""What each command does, as one line: cue, stems, tables, search, render, report.

*Conventions*: functions take a `Screen` to tell their progress to and return lines for a person.

`search`, `render_again`, `export_mix`: the commands of these names (`check`: `placer.check`).
`begin_line`, `end_lines`: what a search says first and last.
"""

from __future__ import annotations

import dataclasses
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from shlex import quote
from typing import Any

from msgspec.structs import replace

from placer.clock import spoken
from placer.cost.warm import compiled_meanwhile, is_compiled
from placer.cue.read import read_cue
from placer.cue.records import Cue
from placer.errors import FolderError
from placer.night_log import NightLog
from placer.placement.passages import seconds_of
from placer.progress import HEARING, Screen
from placer.result.answered import read_answers, set_aside
from placer.result.deliver import deliver, render, rungs_missing, to_hear, unmet, write_sheets
from placer.result.facts import mix_label, mix_name
from placer.result.folder import RunFolder, claim
from placer.result.mixing import mix_frames
from placer.result.model import Result
from placer.result.outcome import result_record
from placer.result.own_mix import render_own_mix
from placer.result.reopen import reopened, seeded
from placer.result.report import REPORT
from placer.result.staging import staged
from placer.result.words import named
from placer.run.choosing import chosen_of, search_facts
from placer.run.cue_scene import foreground_of
from placer.run.kept_moves import NO_ANSWERS, Answers, answered_hash
from placer.run.ready import Surveyed, cue_hash, make_ready, measuring_seconds, survey_cue
from placer.run.studies import StudyOrder, run
from placer.run.trial import ladders
from placer.search.interrupt import interruptible
from placer.search.study import read_trials

RENDER_SPEED = 200.0
"""Track-seconds rendered and measured a second at the least: a third of what two idle cores do
(tests/benchmarks), for a slow disk."""

RENDER_BEGINS = 5.0
"""Seconds that rendering, measuring and writing take however short the cue."""

TRIAL_SECONDS = 3.0
"""Of one trial a track, where no time bounds it, on two cores; seen on demo and templates."""

SMALL_FILES = 64_000_000
"""Bytes for the journal, pages, sheets and pictures of one run, with room to spare."""
TRACKS_UNDER_WAY = 2
"""Tracks that are placed at a time, each in every mix."""
COMPILING = "a minute or two, once on this machine, not counted in --time"
"""What the first run on a machine does besides."""
LEAST_WAIT = 0.5
"""Wait for the compiler worth a word, s."""


@dataclass(frozen=True, slots=True)
class SearchOrder:
    """What `placer search` was asked for.

    Attributes
    ----------
    cue : the cue file
    out : run folder, or None for one beside the cue file
    seconds : search for this long, or None
    trials : end after so many in all, or None
    workers : processes
    storage : URL of a shared study, or None for the journal in the run folder
    seed : instead of the cue file's, or None
    stems : whether to write placed stems
    earlier : run folder whose answered moves the search goes on from, or None
    """

    cue: Path
    out: Path | None = None
    seconds: float | None = None
    trials: int | None = None
    workers: int = 1
    storage: str | None = None
    seed: int | None = None
    stems: bool = False
    earlier: Path | None = None


@dataclass(frozen=True, slots=True)
class SearchEnd:
    """How a search ended: lines to show, whether all demands are met, whether it was stopped."""

    lines: tuple[str, ...]
    met: bool
    interrupted: bool
    folder: Path


def refuse_full_disk(cue: Cue, place: Path, *, stems: bool) -> None:
    """See before a search that what it will render has room; what else it writes is small.

    Raises
    ------
    FolderError
        Less is free than every mix takes, at full length, while it is rendered (32-bit floats)
        and then written (24 bits), two channels.
    """
    mixes = 1 + len(cue.search.rungs)
    each = 1 + TRACKS_UNDER_WAY + (len(cue.tracks) if stems else 0)
    files = mixes * each + (cue.compare is not None)
    needed = SMALL_FILES + files * mix_frames(cue) * 2 * (4 + 3)
    free = shutil.disk_usage(place).free
    if free < needed:
        raise FolderError(
            f"{place}: only {free / 1e6:.0f} MB are free there, and what is rendered takes up to "
            f"{needed / 1e6:.0f} MB; make room, or name another place with --out"
        )


def search(order: SearchOrder, screen: Screen) -> SearchEnd:
    """Search placements of one cue and render the best few.

    Parameters
    ----------
    order : SearchOrder
    screen : Screen

    Returns
    -------
    SearchEnd

    Raises
    ------
    PlacerError
        Bad input; nothing is written then.
    """
    deadline = None if order.seconds is None else time.monotonic() + order.seconds
    cue = seeded(read_cue(order.cue), order.seed)
    surveyed = survey_cue(cue, screen)
    own_hash = cue_hash(cue, [one.hashes for one in surveyed.surveys])
    answers = NO_ANSWERS if order.earlier is None else read_answers(order.earlier, cue)
    key = answered_hash(own_hash, answers)
    if order.earlier and order.out and order.out.resolve() == order.earlier.resolve():
        raise FolderError(
            f"--out {quote(str(order.out))}: is the run that the search goes on from; leave --out "
            "away, or name another folder"
        )
    folder = claim(order.out or default_folder(order.cue, order.earlier, key), own_hash)
    with (
        folder.owned(),
        interruptible() as stop,
        NightLog(folder.log, screen) as told,
        compiled_meanwhile() as compiled,
    ):
        study = StudyOrder(
            cue=cue,
            surveyed=surveyed,
            key_hash=key,
            storage=order.storage or folder.journal,
            trials=order.trials if order.seconds or order.trials else cue.search.trials,
            deadline=deadline,
            workers=order.workers,
            answers=answers,
        )
        told.say(begin_line(surveyed, study, order.seconds))
        if order.earlier is not None:
            told.say(
                f"goes on from {quote(str(order.earlier))}, which stays as it is, in the "
                f"folder {quote(str(folder.path))}; {'; '.join(answers.notes)}"
            )
        if surveyed.odd:
            count = f"{len(surveyed.odd)} odd thing{'s' if len(surveyed.odd) > 1 else ''}"
            told.say(f"{count} about the stems; to read them: placer check {quote(str(cue.path))}")
        refuse_full_disk(cue, folder.path, stems=order.stems)
        read_trials(study.key)  # joined before anything long is begun
        evaluator = make_ready(surveyed, told, workers=order.workers)
        study = dataclasses.replace(study, deadline=_extended(deadline, compiled, stop, told))
        trials = run(study, evaluator, stop=stop, screen=told)
        chosen = chosen_of(evaluator, ladders(cue, trials))
        with staged(folder.path, whole=True) as place:
            new = RunFolder(place)
            span = surveyed.span
            mixes = deliver(evaluator, chosen, new, told, span=span, stems=order.stems)
            told.stage("writing sheets and page")
            facts = search_facts(trials, workers=order.workers)
            own = render_own_mix(cue, new.own_mix)
            head = _head(surveyed, own_hash, answers)
            result = result_record(cue, head, mixes, facts, own, answers)
            missing, others = rungs_missing(cue.search.rungs, result)
            result = replace(
                result,
                notes=(*result.notes, *to_hear(result)),
                warnings=(*unmet(result), *missing),
            )
            before = folder.read_result() if folder.result.exists() else None
            for line in others:
                told.say(line)
            for line in _unmet_lines(result):
                told.note(line)
            new.write_result(result)
            write_sheets(new, result, votes=folder.path)
        if before is not None:
            for line in set_aside(folder.path, before, result):
                told.say(line)
        return SearchEnd(
            lines=tuple(end_lines(folder, result)),
            met=not result.warnings,
            interrupted=stop(),
            folder=folder.path,
        )


def _extended(
    deadline: float | None,
    compiled: Callable[[Callable[[], bool]], None],
    stop: Callable[[], bool],
    screen: Screen,
) -> float | None:
    """The deadline, later by what the first run on a machine waits for its inner loop."""
    begun = time.monotonic()
    if not is_compiled():
        screen.stage(f"compiling the inner loop: {COMPILING}")
    compiled(stop)
    waited = time.monotonic() - begun
    if waited > LEAST_WAIT:
        screen.say(f"inner loop compiled, once on this machine: {waited:.0f} s, not counted")
    return None if deadline is None else deadline + waited


def default_folder(cue: Path, earlier: Path | None = None, key: str = "") -> Path:
    """Run folder beside a cue file; where the search goes on from another run, one beside that.

    The same answers lead to the same folder, so that the same command goes on.
    """
    if earlier is None:
        return cue.with_name(f"{cue.stem}-run")
    place = earlier.resolve()
    return place.with_name(f"{place.name}-{key[:6]}")


def _head(surveyed: Surveyed, own_hash: str, answers: Answers) -> dict[str, Any]:
    return {
        "hash": own_hash,
        "seconds": mix_frames(surveyed.cue) / surveyed.cue.sample_rate,
        "excerpt": surveyed.span,
        "notes": (*surveyed.notes, *answers.notes),
    }


def rendering_seconds(cue: Cue) -> float:
    """How long rendering the mixes of a cue may take, s."""
    sound = len(cue.tracks) * seconds_of(cue) * (len(cue.search.rungs) + 1)
    return RENDER_BEGINS + sound / RENDER_SPEED


def begin_line(surveyed: Surveyed, study: StudyOrder, seconds: float | None) -> str:
    """Say what a search will do and how long it will take.

    Parameters
    ----------
    surveyed : Surveyed
    study : StudyOrder
    seconds : float or None
        Asked for.
    """
    cue = surveyed.cue
    start, end = surveyed.span
    if seconds is not None:
        measuring = measuring_seconds(cue, surveyed.span)
        searching = (
            f"measures the reference (about {spoken(measuring)} the first time) and searches "
            f"placements, {spoken(seconds)} in all"
        )
        if measuring > seconds / 2.0:
            searching += " (little for a first time; what is measured is kept for the next)"
    else:
        trials = study.trials or cue.search.trials
        each = TRIAL_SECONDS * len(cue.tracks)
        count = "1 trial" if trials == 1 else f"{trials} trials, each"
        searching = f"searches placements in {count} of about {spoken(each)}"
    front = [track.name for track, one in zip(cue.tracks, foreground_of(cue), strict=True) if one]
    wanted = f" for the layers that carry the music, the foreground ({named(front)})" * bool(front)
    first = "" if is_compiled() else f"; it first compiles its inner loop ({COMPILING})"
    return (
        f"{cue.name}: {len(cue.tracks)} tracks, {spoken(surveyed.seconds)}; listens to "
        f"{start:.1f} to {end:.1f} s{wanted}, {searching}, then renders up to "
        f"{len(cue.search.rungs)} mixes within {spoken(rendering_seconds(cue))}; Ctrl-C ends it "
        f"early and keeps all work{first}"
    )


def end_lines(folder: RunFolder, result: Result) -> list[str]:
    """What a search says at its end; the three files to open last."""
    lines = [f"{mix_label(mix)}. {mix.words}" for mix in result.mixes]
    lines += [f"to hear: {line}" for line in to_hear(result)]
    lines += _unmet_lines(result)
    path = quote(str(folder.path))
    files = [
        (folder.path / REPORT, f"the page to read and listen to; voting: placer listen {path}"),
        (folder.mix(0), "the reference, as it is without any move"),
    ]
    if result.mixes:
        first = result.mixes[0]
        files[1] = (folder.mix(first.rank), f"{mix_name(first)}, as loud as reference.wav")
        files.insert(0, (folder.sheet(first.rank, "md"), "what to set, the fewest moves first"))
    lines += [HEARING, f"written to {path}; open"]
    return [*lines, *(f"  {quote(str(file))}  {words}" for file, words in files)]


def _unmet_lines(result: Result) -> list[str]:
    """Stated demands that are not met, as the screen and the log tell them."""
    return [f"not met: {line}" for line in result.warnings]


def render_again(path: Path, rank: int | None, *, stems: bool, screen: Screen) -> list[str]:
    """Render the mixes of a run again.

    Parameters
    ----------
    path : Path
        Run folder.
    rank : int or None
        Only this mix (0: the reference), or all.
    stems : bool
        Whether to write the placed stems.
    screen : Screen

    Returns
    -------
    list of str

    Raises
    ------
    PlacerError
        No such run or rank, or its cue has changed.
    """
    run = reopened(path)
    if rank is not None:
        run.refuse_rank(rank, least=0)
    wanted = {i: one for i, one in enumerate(run.mixes) if i == 0 or rank in (None, i)}
    with run.folder.owned(), staged(run.folder.path, whole=False) as place:
        ranks = wanted if stems else ()
        render(run.cue, wanted, RunFolder(place), screen, span=run.span, stems=ranks)
        if run.has_own_mix and rank is None:
            render_own_mix(run.cue, RunFolder(place).own_mix)
    return [f"rendered into {run.folder.path}", HEARING]


def export_mix(path: Path, rank: int, out: Path | None, *, screen: Screen) -> list[str]:
    """Write what goes back into the session.

    Raises
    ------
    PlacerError
        No such run or rank, or its cue has changed.
    """
    from placer.cue.controllers import controllers_of
    from placer.result.export.package import export, free_place
    from placer.result.export.start import common_start
    from placer.result.handing import sources_of

    run = reopened(path)
    run.refuse_rank(rank, least=1)
    free_place(run.folder.path, rank, out)
    cue = run.cue
    start = common_start([file for track in cue.tracks for file in track.files], cue.sample_rate)
    with run.folder.owned():
        with staged(run.folder.path, whole=False) as new:
            source = sources_of(run, RunFolder(new), rank=rank, screen=screen)
        done = export(
            run.folder.path, rank, out, source, start=start,
            controllers=controllers_of(cue.path, cue.tracks),
        )  # fmt: skip
    return [f"written to {done.folder}", *done.notes, HEARING]
