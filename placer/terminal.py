"""What a composer sees while the tool works: a live line, or plain lines.

*Conventions*: a `Screen` is told of stages and decides what to show. `terminal` gives the one that
fits: live on a terminal, plain lines elsewhere.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

from placer.clock import spoken
from placer.progress import Screen

NARROW = 10
"""Width of the bar: in 80 columns the note beside it must be read."""
ENDING = "ending"
"""Stands for the time left where nothing is left to count."""


class Lines:
    """Plain lines, at most one every `pause` seconds within a stage."""

    def __init__(self, pause: float = 5.0) -> None:
        self._pause = pause
        self._name = ""
        self._total: float | None = None
        self._started = self._shown = time.monotonic()

    def stage(self, name: str, total: float | None = None) -> None:
        """Print the stage's name."""
        self._name, self._total = name, total
        self._started = self._shown = time.monotonic()
        print(name, flush=True)

    def advance(self, done: float, note: str = "") -> None:
        """Print how far it is and how long it will take, now and then."""
        now = time.monotonic()
        if now - self._shown < self._pause:
            return
        self._shown = now
        print(f"{self._name}: {self._part(done, now)}{note}", flush=True)

    def _part(self, done: float, now: float) -> str:
        if not self._total or done <= 0 or done >= self._total:
            return ""  # all is counted and something still runs: no time is made up
        left = max(0.0, (now - self._started) * (self._total - done) / done)
        return f"{100 * done / self._total:.0f} %, {spoken(left)} left; "

    def say(self, line: str) -> None:
        """Print the line."""
        print(line, flush=True)


class Live:
    """One live line with a bar, the time left and a note."""

    def __init__(self) -> None:
        from rich.progress import BarColumn, Progress, Task, TextColumn, TimeRemainingColumn
        from rich.table import Column
        from rich.text import Text

        class TimeLeft(TimeRemainingColumn):
            """The time left; a word once all is counted and something still runs."""

            def render(self, task: Task) -> Text:
                return Text(ENDING) if task.finished else super().render(task)

        self._progress = Progress(
            TextColumn("{task.description}"),
            BarColumn(bar_width=NARROW),
            TimeLeft(),
            TextColumn("{task.fields[note]}", table_column=Column(no_wrap=True, ratio=1)),
            expand=True,  # the note gives way, not what stands before it
        )
        self._task = self._progress.add_task("", note="", visible=False)

    def __enter__(self) -> Live:
        """Begin to draw."""
        self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop drawing."""
        self._progress.update(self._task, visible=False)
        self._progress.stop()

    def stage(self, name: str, total: float | None = None) -> None:
        """Begin a new bar."""
        self._progress.reset(self._task, description=name, total=total, note="", visible=True)

    def advance(self, done: float, note: str = "") -> None:
        """Move the bar."""
        self._progress.update(self._task, completed=done, note=note)

    def say(self, line: str) -> None:
        """Print above the bar."""
        self._progress.print(line, markup=False, highlight=False)


@contextmanager
def terminal() -> Iterator[Screen]:
    """The screen that fits standard output."""
    if sys.stdout.isatty():
        with Live() as live:
            yield live
    else:
        yield Lines()
