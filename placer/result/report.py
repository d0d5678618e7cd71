"""The report of a run: one page that opens by itself, offline, beside the sound it plays.

*Conventions*: report.html lies in the run folder and plays the WAV files beside it.

`write_report`: builds and writes it.
"""

from __future__ import annotations

from pathlib import Path

from placer.audio.atomic import write_text
from placer.result.facts import Facts
from placer.result.folder import open_run
from placer.result.page import mix_data, page
from placer.result.record import read_record
from placer.result.votes import learn

REPORT = "report.html"


def has_stems(run_folder: Path, result: Facts) -> bool:
    """Whether every version of a run has a placed stem of every track."""
    run = open_run(run_folder)
    return all(
        (run.stems(mix["rank"]) / f"{track['name']}.wav").is_file()
        for mix in (result["reference"], *result["mixes"])
        for track in result["tracks"]
    )


def write_report(run_folder: Path, votes: Path | None = None) -> Path:
    """Write report.html into a run folder, with its votes or those of the folder `votes`.

    Raises
    ------
    FolderError
        If the run cannot be read or the folder not be written.
    """
    result = open_run(run_folder).read_result()
    learned = learn([(result, read_record(votes or run_folder, result))])
    html = page(
        result,
        learned,
        mixes=mix_data(result),
        served=False,
        stems=has_stems(run_folder, result),
    )
    write_text(run_folder / REPORT, html)
    return run_folder / REPORT
