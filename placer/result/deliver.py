"""From chosen candidates to the files of a run folder.

*Conventions*: rank 0 is the reference. Every file appears whole or not at all.

`deliver`: renders and measures the reference and the chosen mixes. `render`: renders alone.
`write_sheets`: move sheets and the report. `unmet`: which stated demands a result does not meet.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from placer.audio.atomic import write_text
from placer.errors import FolderError
from placer.progress import Screen
from placer.result.folder import RunFolder
from placer.result.meters import measure_file
from placer.result.mixing import mix_frames, mix_plan, reference_plan
from placer.result.moves_sheet import moves_csv, moves_markdown
from placer.result.outcome import Delivered, mix_record
from placer.result.render import MixRender, RenderedMix, render_mixes
from placer.result.report import write_report
from placer.trial.judge import Judge
from placer.trial.material import with_shared
from placer.trial.outer import Candidate
from placer.trial.scoring import ExactScorer, Scored

LEAST_MISS = 0.05
"""LU or dB by which a demand must be missed to be called unmet."""


def deliver(
    judge: Judge,
    chosen: Sequence[Candidate],
    run: RunFolder,
    screen: Screen,
    *,
    stems: bool,
    only: int | None = None,
) -> list[dict[str, Any]]:
    """Render the reference and the chosen mixes.

    Parameters
    ----------
    judge : Judge
    chosen : sequence of Candidate
        Best first.
    run : RunFolder
    screen : Screen
    stems : bool
        Whether to write the placed stems too.
    only : int, optional
        Render this rank alone (the reference is always rendered: loudness is taken from it).

    Returns
    -------
    list of dict
        Mix records, the reference first.
    """
    wanted = [(rank, one) for rank, one in enumerate(chosen, 1) if only in (None, rank)]
    stemmed = {0, *(rank for rank, _ in wanted)} if stems else set()
    rendered = render(judge, wanted, run, screen, stems=stemmed)
    reference = delivered(0, judge.scorer, judge.reference, rendered[0], run)
    start = judge.scorer.sounding(judge.scorer.starts)
    records = [mix_record(judge.scorer, reference, reference, file=run.mix(0).name, start=start)]
    for (rank, candidate), mix in zip(wanted, rendered[1:], strict=True):
        _, scorer = judge.at(dict(candidate.shared))
        now = delivered(rank, scorer, scorer.score(candidate.placements), mix, run)
        records.append(mix_record(scorer, now, reference, file=run.mix(rank).name, start=start))
    return records


def render(
    judge: Judge,
    wanted: Sequence[tuple[int, Candidate]],
    run: RunFolder,
    screen: Screen,
    *,
    stems: Collection[int],
) -> list[RenderedMix]:
    """Render the reference and some candidates into a run folder.

    Parameters
    ----------
    judge : Judge
    wanted : sequence of (rank, Candidate)
    run : RunFolder
    screen : Screen
        Told of every track.
    stems : collection of int
        Ranks whose placed stems are written too.

    Returns
    -------
    list of RenderedMix
        The reference first.
    """
    material, cue = judge.material, judge.material.cue
    plans = {0: reference_plan(material)}
    for rank, candidate in wanted:
        arranged = replace(material, cue=with_shared(cue, dict(candidate.shared)))
        plans[rank] = mix_plan(arranged, candidate.placements)
    mixes = [
        MixRender(run.mix(rank), plan, _stems(run, rank) if rank in stems else None)
        for rank, plan in plans.items()
    ]
    screen.stage("rendering", len(cue.tracks))
    done = itertools.count(1)
    return render_mixes(
        cue,
        mixes,
        frames=mix_frames(cue),
        progress=lambda name: screen.advance(next(done), name),
    )


def _stems(run: RunFolder, rank: int) -> Path:
    """Folder of a mix's placed stems, made where it is missing."""
    folder = run.stems(rank)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FolderError(f"{folder}: cannot be made ({error.strerror})") from error
    return folder


def delivered(
    rank: int, scorer: ExactScorer, scored: Scored, rendered: RenderedMix, run: RunFolder
) -> Delivered:
    """What is known of one rendered mix."""
    early_late = scored.cost.figures["early_late_db"]
    direct = [
        float(early_late[index]) if one.direct_db is None else one.direct_db
        for index, one in enumerate(rendered.tracks)
    ]
    return Delivered(
        rank=rank,
        scored=scored,
        direct_db=np.array(direct),
        rendered=rendered,
        measured=measure_file(run.mix(rank), scorer.material.cue.sample_rate),
        shared=scorer.material.shared,
    )


def write_sheets(run: RunFolder, result: dict[str, Any], votes: Path) -> None:
    """Write the move sheets of every mix, then the report with the votes of a run folder."""
    for mix in result["mixes"]:
        write_text(run.sheet(mix["rank"], "csv"), moves_csv(result, mix["rank"]))
        write_text(run.sheet(mix["rank"], "md"), moves_markdown(result, mix["rank"]))
    write_report(run.path, votes)


def unmet(result: dict[str, Any]) -> list[str]:
    """Stated demands that a result does not meet, one line each."""
    lines = []
    reference = result["reference"]
    if not result["mixes"]:
        lines.append("no placement was found that beats the reference within the limits")
    for mix in (reference, *result["mixes"]):
        name = mix["file"]
        if mix["missed_lu"] > LEAST_MISS:
            ceiling = result["loudness"]["ceiling_dbtp"]
            lines.append(
                f"{name}: {mix['missed_lu']:.1f} LU below the loudness target, because the "
                f"true-peak ceiling of {ceiling:g} dBTP comes first; nothing was limited"
            )
        for limit, value in mix["violations"].items():
            if value > LEAST_MISS:
                lines.append(f"{name}: limit on {limit} missed by {value:.2f} dB")
    return lines
