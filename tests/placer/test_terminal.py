"""What one sees while the tool works, and what the log says next morning."""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path

import pytest

from placer import terminal as screens
from placer.errors import FolderError
from placer.night_log import NightLog
from placer.progress import Quiet
from placer.terminal import ENDING, Lines, Live, terminal


class Clock:
    """A clock that the test turns."""

    def __init__(self) -> None:
        self.now = 100.0

    def monotonic(self) -> float:
        """Time in s."""
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made = Clock()
    monkeypatch.setattr(screens, "time", made)
    return made


def test_plain_lines_say_how_far_and_how_long(
    clock: Clock, capsys: pytest.CaptureFixture[str]
) -> None:
    """Elsewhere than on a terminal: a stage, then a line now and then with the time left."""
    lines = Lines(pause=5.0)
    lines.stage("placement tables", 10)
    clock.now += 4.0
    lines.advance(1, "low")  # too soon to say anything
    clock.now += 16.0
    lines.advance(4, "high")
    lines.say("something that stays")
    assert capsys.readouterr().out.splitlines() == [
        "placement tables",
        "placement tables: 40 %, 30 s left; high",
        "something that stays",
    ]


def test_no_time_is_told_once_all_is_counted(
    clock: Clock, capsys: pytest.CaptureFixture[str]
) -> None:
    """Something may still run: neither 100 % nor 0 s left."""
    lines = Lines(pause=5.0)
    lines.stage("searching", 20)
    clock.now += 25.0
    lines.advance(20, "time is up, this trial ends")
    assert capsys.readouterr().out.splitlines() == [
        "searching", "searching: time is up, this trial ends",
    ]  # fmt: skip


def test_plain_lines_without_a_total(clock: Clock, capsys: pytest.CaptureFixture[str]) -> None:
    """Where nobody knows how long it takes, no time is made up."""
    lines = Lines(pause=5.0)
    lines.stage("searching")
    clock.now += 10.0
    lines.advance(3, "best 0.2")
    lines.stage("rendering", 4)
    clock.now += 10.0
    lines.advance(0, "nothing yet")
    assert capsys.readouterr().out.splitlines() == [
        "searching", "searching: best 0.2", "rendering", "rendering: nothing yet",
    ]  # fmt: skip


def test_a_pipe_gets_lines_and_a_terminal_a_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    """The screen goes by where standard output ends."""
    with terminal() as screen:
        assert isinstance(screen, Lines)

    class Tty(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stdout", Tty())
    with terminal() as screen:
        assert isinstance(screen, Live)


def test_the_live_line_shows_stage_bar_and_note(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bar with the stage's name and a note; lines that stay are printed as they are."""
    output = io.StringIO()
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr(sys, "stdout", output)
    with Live() as live:
        live.stage("searching", 8)
        live.advance(4, "foreground audible now 24.5 % (3 tracks moved), best 30 %")
        live._progress.refresh()  # it draws ten times a second by itself
        live.say("trial 1: [cost] 0.2071")
    shown = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", output.getvalue())
    assert "trial 1: [cost] 0.2071" in shown
    assert "searching" in shown
    assert "foreground audible now 24.5 % (3 tracks" in shown
    assert ENDING not in shown


def test_the_live_line_keeps_its_name_and_ends_without_a_zero(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """In 80 columns, with a long note, all counted: the stage's name whole and no "0:00:00"."""
    output = io.StringIO()
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr(sys, "stdout", output)
    with Live() as live:
        live.stage("searching", 8)
        live.advance(8, "time is up, this trial ends; " + "foreground audible " * 6)
        begun = output.tell()
        live._progress.refresh()
    shown = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", output.getvalue()[begun:])
    assert "searching" in shown
    assert ENDING in shown
    assert "0:00:00" not in shown


def test_the_log_keeps_what_was_said(tmp_path: Path) -> None:
    """Stages and lines with their times, from begun to ended; progress only passes through."""
    passed: list[tuple[object, ...]] = []

    class Screen(Quiet):
        def stage(self, name: str, total: float | None = None) -> None:
            passed.append((name, total))

        def advance(self, done: float, note: str = "") -> None:
            passed.append((done, note))

        def say(self, line: str) -> None:
            passed.append((line,))

    path = tmp_path / "log.txt"
    for _ in range(2):
        with NightLog(path, Screen()) as log:
            log.stage("searching", 8)
            log.advance(3, "best")
            log.say("trial 1: cost 0.2")
    assert passed == [("searching", 8), (3, "best"), ("trial 1: cost 0.2",)] * 2
    lines = path.read_text(encoding="utf-8").splitlines()
    assert [line[20:] for line in lines] == [
        "begun", "searching", "trial 1: cost 0.2", "ended",
    ] * 2  # fmt: skip
    assert all(re.match(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d ", line) for line in lines)


def test_the_log_says_what_ended_a_search(tmp_path: Path) -> None:
    """An error goes on its way and leaves its name in the log."""
    path = tmp_path / "log.txt"
    with pytest.raises(FolderError, match="disk"), NightLog(path, Quiet()):
        raise FolderError("the disk is full")
    assert path.read_text().splitlines()[-1].endswith("ended by FolderError: the disk is full")
    with pytest.raises(FolderError, match="cannot be written"), NightLog(tmp_path, Quiet()):
        pass


def test_quiet_says_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    """Nobody listens."""
    screen = Quiet()
    screen.stage("a", 1)
    screen.advance(1, "b")
    screen.say("c")
    assert capsys.readouterr().out == ""
