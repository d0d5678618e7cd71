"""The log of a search: what the screen was told, with times, for reading next morning.

*Conventions*: one line a stage or message, appended; times are local.

`NightLog`: a `Screen` that also writes.
"""

from __future__ import annotations

import contextlib
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import TextIO

from placer.errors import FolderError
from placer.progress import Screen


class NightLog:
    """Passes everything on to a screen and keeps it in a file.

    Parameters
    ----------
    path : Path
        File to append to.
    screen : Screen
    """

    def __init__(self, path: Path, screen: Screen) -> None:
        self._path, self._screen = path, screen
        self._file: TextIO | None = None

    def __enter__(self) -> NightLog:
        """Open the file."""
        try:
            self._file = self._path.open("a", encoding="utf-8")
        except OSError as error:
            raise FolderError(f"{self._path}: cannot be written ({error.strerror})") from error
        self._write("begun")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None
    ) -> None:
        """Close the file, saying how it ended."""
        self._write("ended" if kind is None else f"ended by {kind.__name__}: {error}")
        if self._file is not None:
            self._file.close()

    def _write(self, line: str) -> None:
        if self._file is not None:
            moment = datetime.now().isoformat(sep=" ", timespec="seconds")
            try:
                self._file.write(f"{moment} {' '.join(line.split())}\n")
                self._file.flush()
            except OSError as error:  # a log that cannot be kept is no reason to end a night
                with contextlib.suppress(OSError):
                    self._file.close()
                self._file = None
                self._screen.say(f"{self._path}: cannot be written any more ({error.strerror})")

    def note(self, line: str) -> None:
        """Write a line that the screen is told elsewhere."""
        self._write(line)

    def stage(self, name: str, total: float | None = None) -> None:
        """Pass on and write a stage."""
        self._write(name)
        self._screen.stage(name, total)

    def advance(self, done: float, note: str = "") -> None:
        """Pass on."""
        self._screen.advance(done, note)

    def say(self, line: str) -> None:
        """Pass on and write a line."""
        self._write(line)
        self._screen.say(line)
