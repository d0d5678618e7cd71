"""From chosen candidates to the files of a run folder.

*Conventions*: rank 0 is the reference. Every file appears whole or not at all.

`deliver`: renders and measures the reference and the chosen mixes. `render`: renders alone.
`write_sheets`: move sheets and the report. `unmet`: which stated demands a result does not meet.
`rungs_missing`: which mixes that were asked for were not found.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from pathlib import Path

from placer.audio.atomic import write_text
from placer.cue.records import RUNGS, Cue
from placer.cue.toml_table import shown
from placer.errors import FolderError
from placer.progress import Screen
from placer.result.facts import RUNG_WORDS
from placer.result.folder import RunFolder
from placer.result.leaning import lean_lines, low_line
from placer.result.meters import measure_file
from placer.result.mixing import MixSetting, mix_frames, mix_plan, reference_plan, setting_of
from placer.result.model import Mix, Result
from placer.result.moves_sheet import moves_csv, moves_markdown
from placer.result.outcome import Delivered, mix_record
from placer.result.path_words import microphones_record, path_record
from placer.result.render import KeptPassage, MixRender, RenderedMix, render_mixes
from placer.result.report import write_report
from placer.run.evaluator import Evaluator
from placer.run.trial import Candidate

LEAST_MISS = 0.05
"""LU or dB by which a demand must be missed to be called unmet."""

SECOND = "other"
"""The rung that asks for few moves once more."""

OF_FEW_MOVES = {"few": {"few"}, "some": {"few", "some"}}
"""Mixes of few moves, and those of which one must be there or few moves have found nothing."""


def deliver(
    evaluator: Evaluator,
    chosen: Sequence[Candidate],
    run: RunFolder,
    screen: Screen,
    *,
    span: tuple[float, float],
    stems: bool,
) -> list[Mix]:
    """Render and measure the reference and the chosen mixes.

    Parameters
    ----------
    evaluator : Evaluator
    chosen : sequence of Candidate
        In order of effort.
    run : RunFolder
    screen : Screen
    span : (from, to)
        The analysed passage, s.
    stems : bool
        Whether to write the whole placed stems too.

    Returns
    -------
    list of Mix
        The reference first.
    """
    cue = evaluator.cue
    settings = [setting_of(evaluator.own, evaluator.starts)]
    settings += [
        setting_of(evaluator.at(dict(one.shared)), one.placements, one.shared) for one in chosen
    ]
    wanted = dict(enumerate(settings))
    rendered = render(cue, wanted, run, screen, span=span, stems=wanted if stems else ())
    screen.stage("measuring the mixes")
    costs = [evaluator.reference]
    costs += [evaluator.breakdown(evaluator.at(dict(one.shared)), one.placements) for one in chosen]
    every = [
        Delivered(
            rank=rank,
            cost=cost,
            setting=setting,
            rendered=mix,
            measured=measure_file(run.mix(rank), cue.sample_rate),
        )
        for rank, (cost, setting, mix) in enumerate(zip(costs, settings, rendered, strict=True))
    ]
    reference = mix_record(cue, every[0], every[0], file=run.mix(0).name)
    return [
        reference,
        *(
            mix_record(
                cue, one, every[0], file=run.mix(one.rank).name,
                rung=found.rung, nested=found.nested,
                microphones=microphones_record(evaluator, found),
                path=path_record(evaluator, found),
            )
            for one, found in zip(every[1:], chosen, strict=True)
        ),
    ]  # fmt: skip


def render(
    cue: Cue,
    wanted: Mapping[int, MixSetting],
    run: RunFolder,
    screen: Screen,
    *,
    span: tuple[float, float] | None,
    stems: Collection[int],
) -> list[RenderedMix]:
    """Render mixes of a cue into a run folder: stems and responses are all that this needs.

    Parameters
    ----------
    cue : Cue
    wanted : mapping of rank to MixSetting
        The reference, rank 0, first: the others get its loudness.
    run : RunFolder
    screen : Screen
        Told of every track.
    span : (from, to) or None
        Passage, s, of which the tracks that differ from the reference are kept one by one, so that
        one can listen to single moves; None keeps none.
    stems : collection of int
        Ranks whose placed stems are written too.

    Returns
    -------
    list of RenderedMix
        In the order of `wanted`.
    """
    mixes = [
        MixRender(
            run.mix(rank),
            mix_plan(cue, setting) if rank else reference_plan(cue, setting),
            _made(run.stems(rank)) if rank in stems else None,
        )
        for rank, setting in wanted.items()
    ]
    screen.stage("rendering", len(cue.tracks) + len(mixes))
    done = itertools.count(1)
    frames = mix_frames(cue)
    return render_mixes(
        cue,
        mixes,
        frames=frames,
        passage=None if span is None else _passage(run, wanted, span, cue.sample_rate, frames),
        progress=lambda name: screen.advance(next(done), name),
    )


def _passage(
    run: RunFolder, ranks: Iterable[int], span: tuple[float, float], sample_rate: int, frames: int
) -> KeptPassage:
    """The passage in frames, and a folder a mix."""
    start, stop = (min(frames, math.floor(second * sample_rate + 0.5)) for second in span)
    return KeptPassage(start, stop, [_made(run.parts(rank)) for rank in ranks])


def _made(folder: Path) -> Path:
    """The folder, made where it is missing."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FolderError(f"{folder}: cannot be made ({error.strerror})") from error
    return folder


def write_sheets(run: RunFolder, result: Result, votes: Path) -> None:
    """Write the move sheets of every mix, then the report with the votes of a run folder."""
    for mix in result.mixes:
        write_text(run.sheet(mix.rank, "csv"), moves_csv(result, mix.rank))
        write_text(run.sheet(mix.rank, "md"), moves_markdown(result, mix.rank))
    write_report(run.path, votes)


def rungs_missing(asked: Sequence[str], result: Result) -> tuple[list[str], list[str]]:
    """Mixes that were asked for and are not there, one line each.

    Parameters
    ----------
    asked : sequence of str
        Names of `cue.records.RUNGS`.
    result : Result

    Returns
    -------
    list of str, list of str
        Where nothing beats the reference, which is a demand that is not met; and where nothing
        beats the other mixes, which is none.
    """
    there = {mix.rung for mix in result.mixes}
    if not there:
        return [], []
    unmet_lines, notes = [], []
    for name in (name for name in RUNGS if name in asked and name not in there):
        words = f"no mix of {shown(RUNG_WORDS[name])} is there"
        if not there & OF_FEW_MOVES.get(name, there):
            unmet_lines.append(
                f"{words}: none was found that beats the reference within the limits; search "
                "longer (--time), or ask for more moves: [search] moves"
            )
        else:
            which = (
                "second mix of few moves" if name == SECOND else f"mix of {shown(RUNG_WORDS[name])}"
            )
            notes.append(f"No {which}: nothing better was found.")
    return unmet_lines, notes


def unmet(result: Result) -> list[str]:
    """Stated demands that a result does not meet, one line each."""
    lines = []
    reference = result.reference
    if not result.mixes:
        lines.append("no placement was found that beats the reference within the limits")
    for mix in (reference, *result.mixes):
        name = mix.file
        if mix.missed_lu > LEAST_MISS:
            ceiling = result.loudness.ceiling_dbtp
            lines.append(
                f"{name}: {mix.missed_lu:.1f} LU below the loudness target, because the "
                f"true-peak ceiling of {ceiling:g} dBTP comes first; nothing was limited"
            )
        for limit, value in mix.violations.items():
            if value > LEAST_MISS:
                lines.append(f"{name}: limit on {limit} missed by {value:.2f} dB")
    return lines


def to_hear(result: Result) -> list[str]:
    """What a rendered file does that the limits do not see, one line a mix and kind.

    Limits judge the lows by the energies of the layers, and the balance of the whole file by an
    estimate: the real sum may differ by how layers meet in phase.
    """
    lines = []
    for mix in (result.reference, *result.mixes):
        found = [low_line(result, mix), *lean_lines(result, mix)]
        lines += [f"{mix.file}: {line}" for line in found if line]
    return lines
