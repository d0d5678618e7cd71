"""One order and one numbering, that of the path, wherever a run is read."""

from __future__ import annotations

import csv
import io
import re
from html import unescape
from pathlib import Path

import aaf2
import pytest

from placer.pipeline import end_lines
from placer.result.export.package import ExportSource, export
from placer.result.facts import changes, mix_of, pairs
from placer.result.figures import figures
from placer.result.folder import RunFolder
from placer.result.moves_sheet import moves_csv, moves_markdown
from placer.result.outcome import with_words
from placer.result.path_words import step_words, track_numbers
from placer.result.report import write_report
from tests.placer.export_source import responses_of
from tests.placer.result_run import write_run

NUMBER = r"(\d+[a-z]*)"


@pytest.mark.parametrize("rank", [1, 2])
def test_one_order_and_numbering_everywhere(tmp_path: Path, rank: int) -> None:
    """Sheet, CSV, page, pictures, exported sheets and session, terminal: as the path has it."""
    result = write_run(tmp_path / "run", mixes=2, seconds=1.0)
    mix = mix_of(result, rank)
    told = {name: number for name, number in track_numbers(result, mix).items()}
    moved = [after.name for _, before, after in pairs(result, mix) if changes(before, after)]
    path = [(told[name], name) for step in mix.steps for name in step.tracks]
    assert [name for _, name in path if name in moved] == sorted(
        moved, key=[name for _, name in path].index
    )
    rows = csv.DictReader(io.StringIO(moves_csv(result, rank)))
    assert [(row["number"], row["track"]) for row in rows][: len(path)] == path
    sheet = re.findall(rf"^\| {NUMBER} \| (.+?) \|", moves_markdown(result, rank), re.MULTILINE)
    dry = {track.name for track in result.tracks if track.kind == "dry"}
    inside = [pair for pair in path if pair[1] in dry]
    assert sheet == [*path, *inside, *path]  # to set, already in the response, measured
    words = [line for n in range(len(mix.steps)) for line, _ in step_words(result, mix, n + 1)]
    assert words == [" ".join(pair) for pair in path]
    page = write_report(tmp_path / "run").read_text(encoding="utf-8")
    places = [page.index(f"{number} {name}") for number, name in path]
    assert min(places) > 0
    for svg in figures(result, mix).values():
        numbered = re.findall(rf">{NUMBER} ([A-Z][^<:]*?)(?:…|:[^<]*)?</text>", svg)
        assert all(told[next(n for n in told if n.startswith(name))] == number
                   for number, name in numbered)  # fmt: skip
    source = ExportSource(responses=responses_of)
    folder = export(tmp_path / "run", rank, tmp_path / "out", source).folder
    every = [(number, name) for name, number in told.items() if number]
    printed = re.findall(rf"<th scope=row>{NUMBER} (.*?)</th>", (folder / "moves.html").read_text())
    assert [(number, unescape(name)) for number, name in printed] == [*every, *path]
    text = (folder / "README.txt").read_text(encoding="utf-8").split("moves.csv")[0]
    assert re.findall(rf"^  {NUMBER} (.+)$", text, re.MULTILINE) == [*every, *path]
    items = re.findall(rf"^   - {NUMBER} (.+)$", (folder / "moves.md").read_text(), re.MULTILINE)
    assert [(number, name.replace("\\", "")) for number, name in items] == [*every, *path]
    with aaf2.open(str(folder / "session.aaf"), "r") as session:
        clips = [slot.name for mob in session.content.toplevel() for slot in mob.slots]
    assert [one for one in clips if one in told][: len(path)] == [name for _, name in path]
    ends = end_lines(RunFolder(tmp_path / "run"), with_words(result))
    order = [ends[rank - 1].index(name) for _, name in path[:3]]
    assert order == sorted(order)
