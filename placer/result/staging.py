"""How all files of a result change together, although each is written by itself.

New files are made in a folder inside the run folder. Once all are whole a list is written, and only
then do they take their places; a process that is killed before leaves the old result, one that is
killed after leaves the list, by which the next command finishes the move.

*Conventions*: the folder is `.new`; its list `.ready` holds the names of files that the new result
replaces by nothing. Whoever stages owns the run folder (`RunFolder.owned`).

`staged`: the folder to fill. `settle`: after a kill, the move finished or the remains removed.

Sources
-------
POSIX.1-2017 rename(): the old file or the new one is seen. The list is a redo log of one entry.
"""

from __future__ import annotations

import contextlib
import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from placer.audio.atomic import write_text
from placer.errors import FolderError

STAGE, READY = ".new", ".ready"
REPLACED = (
    "mix-*.wav", "compare.wav", "moves-*.csv", "moves-*.md", "placed/*/*.wav", "parts/*/*.wav",
)  # fmt: skip
"""Files of a result; those of an earlier one that a whole new one does not have go."""


@contextmanager
def staged(run: Path, *, whole: bool) -> Iterator[Path]:
    """Give a folder to fill; on leaving without an error all its files take their places in `run`.

    Parameters
    ----------
    run : Path
        The run folder, owned.
    whole : bool
        Whether the files are a whole result, so that files of an earlier one go.

    Raises
    ------
    FolderError
        The disk cannot take the files; then the run folder is as it was.
    """
    stage = run / STAGE
    settle(run)
    try:
        stage.mkdir()
    except OSError as error:
        raise FolderError(f"{run}: cannot be written ({error.strerror})") from error
    try:
        yield stage
        gone = _replaced(run) - _replaced(stage) if whole else set()
        write_text(stage / READY, json.dumps(sorted(gone)))
    except BaseException:
        shutil.rmtree(stage, ignore_errors=True)
        raise
    settle(run)


def _replaced(folder: Path) -> set[str]:
    """Names of a result's files, relative to their folder."""
    return {str(one.relative_to(folder)) for glob in REPLACED for one in folder.glob(glob)}


def settle(run: Path) -> None:
    """Finish a move that a kill cut short, or remove what never became whole.

    Raises
    ------
    FolderError
        A file cannot be moved.
    """
    stage = run / STAGE
    if stage.is_symlink():
        raise FolderError(f"{stage}: is a link, which no run folder holds; remove it")
    try:
        if (stage / READY).is_file():
            for path in sorted(one for one in stage.rglob("*") if one.is_file()):
                if path.name != READY:
                    place = run / path.relative_to(stage)
                    place.parent.mkdir(parents=True, exist_ok=True)
                    path.replace(place)
            listed = json.loads((stage / READY).read_text(encoding="utf-8"))
            for name in _replaced(run).intersection(listed):
                (run / name).unlink(missing_ok=True)
            for name in ("placed", "parts"):
                _without_empty(run / name)
        if stage.exists():
            shutil.rmtree(stage)
    except ValueError as error:
        raise FolderError(f"{stage / READY}: is damaged; remove {stage}") from error
    except OSError as error:
        where = error.filename or run
        raise FolderError(f"{where}: cannot be moved into place ({error.strerror})") from error


def _without_empty(folder: Path) -> None:
    """Remove folders that hold nothing any more."""
    for path in (*folder.glob("*"), folder):
        with contextlib.suppress(OSError):
            path.rmdir()
