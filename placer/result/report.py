"""The report of a run: one page that opens by itself, offline, beside the sound it plays.

*Conventions*: report.html lies in the run folder and plays the WAV files beside it.

`write_report`: builds and writes it.
"""

from __future__ import annotations

from pathlib import Path

from placer.audio.atomic import write_text
from placer.result.answered import stored_answers
from placer.result.folder import open_run
from placer.result.model import Result
from placer.result.page import mix_data, page
from placer.result.record import read_record
from placer.result.votes import learn

REPORT = "report.html"


def has_stems(run_folder: Path, result: Result) -> bool:
    """Whether every version of a run has a placed stem of every track."""
    run = open_run(run_folder)
    return all(
        (run.stems(mix.rank) / f"{track.name}.wav").is_file()
        for mix in result.all_mixes
        for track in result.tracks
    )


def changed_tracks(run_folder: Path, result: Result) -> dict[int, list[int]] | None:
    """Tracks of which each mix has a passage of its own; None where one that moves has none."""
    run = open_run(run_folder)
    names = result.names

    def kept(rank: int) -> set[str]:
        return {path.stem for path in run.parts(rank).glob("*.wav")} & set(names)

    found, reference = {}, kept(0)
    for mix in result.mixes:
        mine = kept(mix.rank)
        moved = set(mix.moved)
        if not moved <= mine <= reference:
            return None
        found[mix.rank] = [index for index, name in enumerate(names) if name in mine]
    return found


def write_report(run_folder: Path, votes: Path | None = None) -> Path:
    """Write report.html into a run folder, with its votes or those of the folder `votes`.

    Raises
    ------
    FolderError
        If the run cannot be read or the folder not be written.
    """
    result = open_run(run_folder).read_result()
    learned = learn([(result, read_record(votes or run_folder, result).votes)])
    html = page(
        result,
        learned,
        mixes=mix_data(result),
        served=False,
        stems=has_stems(run_folder, result),
        changed=changed_tracks(run_folder, result),
        answers=stored_answers(votes or run_folder),
    )
    write_text(run_folder / REPORT, html)
    return run_folder / REPORT
