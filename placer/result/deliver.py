"""From chosen candidates to the files of a run folder.

*Conventions*: rank 0 is the reference. Every file appears whole or not at all.

`deliver`: renders and measures the reference and the chosen mixes. `render`: renders alone.
`write_sheets`: move sheets and the report. `unmet`: which stated demands a result does not meet.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from placer.audio.atomic import write_text
from placer.cue.records import Cue
from placer.errors import FolderError
from placer.progress import Screen
from placer.result.folder import RunFolder
from placer.result.meters import measure_file
from placer.result.mixing import MixSetting, mix_frames, mix_plan, reference_plan, setting_of
from placer.result.moves_sheet import moves_csv, moves_markdown
from placer.result.outcome import Delivered, mix_record
from placer.result.render import MixRender, RenderedMix, render_mixes
from placer.result.report import write_report
from placer.trial.judge import Judge
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
) -> list[dict[str, Any]]:
    """Render and measure the reference and the chosen mixes.

    Parameters
    ----------
    judge : Judge
    chosen : sequence of Candidate
        Best first.
    run : RunFolder
    screen : Screen
    stems : bool
        Whether to write the placed stems too.

    Returns
    -------
    list of dict
        Mix records, the reference first.
    """
    material = judge.material
    settings = [
        setting_of(material, judge.scorer.starts, {}),
        *(setting_of(material, one.placements, dict(one.shared)) for one in chosen),
    ]
    wanted = dict(enumerate(settings))
    rendered = render(material.cue, wanted, run, screen, stems=wanted if stems else ())
    reference = delivered(0, judge.scorer, judge.reference, rendered[0], run)
    start = judge.scorer.sounding(judge.scorer.starts)
    records = [mix_record(judge.scorer, reference, reference, file=run.mix(0).name, start=start)]
    for rank, (candidate, mix) in enumerate(zip(chosen, rendered[1:], strict=True), 1):
        _, scorer = judge.at(dict(candidate.shared))
        now = delivered(rank, scorer, scorer.score(candidate.placements), mix, run)
        records.append(mix_record(scorer, now, reference, file=run.mix(rank).name, start=start))
    return records


def render(
    cue: Cue,
    wanted: Mapping[int, MixSetting],
    run: RunFolder,
    screen: Screen,
    *,
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
            _stems(run, rank) if rank in stems else None,
        )
        for rank, setting in wanted.items()
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
