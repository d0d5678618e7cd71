"""`placer check` says what a cue holds, what is held and free, and asks what may not be meant."""

from __future__ import annotations

import dataclasses
import re
import shlex
from pathlib import Path

import pytest

from placer.check import check
from placer.cli import main
from placer.cue.read import read_cue
from placer.progress import Quiet
from placer.run.ready import measuring_seconds
from tests.placer.small_cue import SmallRun, write_cue


def changed(folder: Path, *changes: tuple[str, str]) -> Path:
    """The small cue with other lines."""
    path = write_cue(folder)
    text = path.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    return path


def test_check_says_what_was_found(small_run: SmallRun, capsys: pytest.CaptureFixture) -> None:
    """Tracks with kind and role; conversions; what a run will cost."""
    lines = check(small_run.cue, Quiet())
    text = "\n".join(lines)
    assert lines[0] == "Small cue (invented): 4 tracks, 3 s at 48000 Hz"
    assert "seats in m from the conductor" in lines[1]
    assert "high (high.wav): 44100 Hz, converted to 48000 Hz" in text
    assert "passage 0.2 to 2.8 s, as the cue says" in text
    assert "  click: direct, percussion, percussion" in lines
    assert "  horns: recorded, horns, bed" in lines
    assert re.search(
        r"about .* to measure the reference the first time, .* a trial, longer.*; 1 trials", text
    )
    assert main(["check", str(small_run.cue)]) == 0
    assert lines[0] in capsys.readouterr().out


def told(lines: list[str], track: str) -> list[str]:
    """The two lines below a track's own."""
    index = next(i for i, line in enumerate(lines) if line.startswith(f"  {track}: "))
    return [line.strip() for line in lines[index + 1 : index + 3]]


def test_every_track_says_its_start_and_what_is_held(tmp_path: Path) -> None:
    """The seat with unit and origin; held and free settings in words, for every track."""
    lines = check(
        changed(
            tmp_path,
            ("seat = [2.0, 2.0]\nsource_width = 1.0", 'locks = ["seat", "delay"]'),
            ("source_width = 1.5", "stay = true\npan = -0.25"),
        ),
        Quiet(),
    )
    start, moves = told(lines, "low")
    assert re.match(r"\d[\d.]* m right, \d[\d.]* m back, usual seat of celli; close -?\d", start)
    assert moves == "held: seat, alignment; free: blend, pan, width"
    start, moves = told(lines, "high")
    assert start.startswith("2 m left, 2 m back, as the cue says; close ")
    assert start.endswith("; pan 25% left")
    assert moves == "stays as it is: heard and hides others, never moved"
    start, moves = told(lines, "horns")
    assert start == "recorded positions: close -6 dB, tree 0 dB"
    assert moves == "held: nothing; free: blend, pan, width, alignment"
    assert told(lines, "click")[1] == "stays as it is: heard and hides others, never moved"


def test_a_seat_of_a_seating_file_says_so(tmp_path: Path) -> None:
    """A third origin, beside the cue's own word and the section."""
    (tmp_path / "mine.toml").write_text("[track.low]\nseat = [1.0, 3.0]\n")
    path = changed(
        tmp_path,
        ("seat = [2.0, 2.0]\nsource_width = 1.0", ""),
        ("[search]", '[seating]\nfile = "mine.toml"\n\n[search]'),
    )
    assert told(check(path, Quiet()), "low")[0].startswith(
        "1 m right, 3 m back, as the seating file says; "
    )


def test_a_fixed_dry_track_without_a_seat_is_asked_about(tmp_path: Path) -> None:
    """It is heard dry, as its file is: check asks, and says what else could be written."""
    lines = check(write_cue(tmp_path), Quiet())
    asked = [line.strip() for line in lines if "is that meant?" in line]
    assert len(asked) == 1
    assert asked[0].startswith("click: fixed without a seat, so it is heard as the file is, dry")
    assert "stay = true" in asked[0]
    seated = changed(tmp_path / "b", ("fixed = true", "fixed = true\nseat = [0.0, 2.0]"))
    assert not [line for line in check(seated, Quiet()) if "is that meant?" in line]


def test_hints_can_be_pasted_into_a_shell(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """A folder with a space and an apostrophe: the command in the hint names it whole."""
    folder = tmp_path / "it's new"
    write_cue(folder)
    assert main(["draft", str(folder), "--out", str(folder / "first.toml")]) == 0
    hint = capsys.readouterr().out.splitlines()[-1].partition("then: ")[2]
    assert shlex.split(hint) == ["placer", "check", str(folder / "first.toml")]


@pytest.mark.parametrize(("given", "said"), [("90", "--time 90: 90 s"), ("90s", "")])
def test_a_bare_number_says_which_unit_it_took(
    given: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture
) -> None:
    """Before anything is read, so that one can still stop."""
    assert main(["search", str(tmp_path / "none.toml"), "--time", given]) == 2
    assert capsys.readouterr().out.partition(";")[0] == said


def test_what_measuring_costs_grows_with_the_passage_and_the_rooms(small_run: SmallRun) -> None:
    """Twice the passage takes twice as long; a dry track more than a recorded one, a file none."""
    cue = read_cue(small_run.cue)
    whole = measuring_seconds(cue, (0.0, 20.0))
    assert whole == 2 * measuring_seconds(cue, (5.0, 15.0)) > 0.0
    kinds = {
        track.kind: measuring_seconds(dataclasses.replace(cue, tracks=(track,)), (0.0, 20.0))
        for track in cue.tracks
    }
    assert kinds["dry"] > kinds["recorded"] > kinds["direct"] == 0.0
