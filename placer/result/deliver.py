"""From chosen candidates to the files of a run folder.

*Conventions*: rank 0 is the reference. Every file appears whole or not at all.

`deliver`: renders and measures the reference and the chosen mixes. `write_sheets`: move sheets and
the report. `unmet`: which stated demands a result does not meet.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from placer.audio.atomic import write_text
from placer.errors import FolderError
from placer.placing.passages import seconds_of
from placer.progress import Screen
from placer.result.folder import RunFolder
from placer.result.meters import measure_file
from placer.result.mixing import mix_plan, reference_plan
from placer.result.moves_sheet import moves_csv, moves_markdown
from placer.result.outcome import Delivered, mix_record
from placer.result.render import RenderedMix, TrackRender, render_mix
from placer.result.report import write_report
from placer.trial.filters import direct_ratio_db
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
    steps = (len(chosen) + 1) * len(judge.material.cue.tracks)
    screen.stage("rendering", steps)
    bench = Bench(judge, run, screen, stems=stems)
    reference = bench.reference()
    records = [mix_record(judge.scorer, reference, reference, file=run.mix(0).name)]
    for rank, candidate in enumerate(chosen, 1):
        if only not in (None, rank):
            continue
        scorer, mix = bench.mix(rank, candidate, reference.rendered)
        records.append(mix_record(scorer, mix, reference, file=run.mix(rank).name))
    return records


class Bench:
    """Renders mixes one after the other, telling the screen of every track."""

    def __init__(self, judge: Judge, run: RunFolder, screen: Screen, *, stems: bool) -> None:
        self._judge, self._run, self._screen, self._stems = judge, run, screen, stems
        cue = judge.material.cue
        self._frames = round(seconds_of(cue) * cue.sample_rate)
        self._done = 0

    def reference(self) -> Delivered:
        """The reference mix."""
        plan = reference_plan(self._judge.material)
        rendered = self._rendered(0, plan)
        return self._delivered(0, self._judge.scorer, self._judge.reference, rendered)

    def mix(
        self, rank: int, candidate: Candidate, reference: RenderedMix
    ) -> tuple[ExactScorer, Delivered]:
        """One chosen mix, with the scorer of its shared numbers."""
        shared = dict(candidate.shared)
        _, scorer = self._judge.at(shared)
        scored = scorer.score(candidate.placements)
        plan = mix_plan(scorer.material, candidate.placements, reference)
        rendered = self._rendered(rank, plan)
        return scorer, self._delivered(rank, scorer, scored, rendered)

    def _rendered(self, rank: int, plan: Sequence[TrackRender]) -> RenderedMix:
        folder = self._run.stems(rank) if self._stems else None
        if folder is not None:
            try:
                folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise FolderError(f"{folder}: cannot be made ({error.strerror})") from error

        def placed(name: str) -> None:
            self._done += 1
            self._screen.advance(self._done, f"{self._run.mix(rank).name}: {name}")

        return render_mix(
            self._judge.material.cue,
            plan,
            self._run.mix(rank),
            frames=self._frames,
            stems=folder,
            progress=placed,
        )

    def _delivered(
        self, rank: int, scorer: ExactScorer, scored: Scored, rendered: RenderedMix
    ) -> Delivered:
        early_late = scored.cost.figures["early_late_db"]
        direct = [
            direct_ratio_db(
                scorer.material, index, placement, early_late_db=float(early_late[index])
            )
            for index, placement in enumerate(scored.placements)
        ]
        return Delivered(
            rank=rank,
            scored=scored,
            direct_db=np.array(direct),
            rendered=rendered,
            measured=measure_file(self._run.mix(rank), scorer.material.cue.sample_rate),
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
