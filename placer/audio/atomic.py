"""How a file appears under its name whole, or not at all.

*Conventions*: the temporary file lies in the same folder (a rename never crosses file systems),
begins with a dot and ends in `.part`, so that an interrupted run leaves nothing that looks whole;
it holds the number of its process, so that what a killed one left can be told and removed.

`replacing`, `write_text`: a file, whole or not at all. `sweep`: what killed processes left.

Sources
-------
POSIX.1-2017 rename(): the old file or the new one is seen, never a mixture.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import get_ident

from placer.errors import FolderError

LEFT = re.compile(r"\..+\.([0-9]{1,9})\.part")
"""A temporary file or folder, with the number of its process."""
LEAST_AGE = 60.0
"""s; anything younger is left alone, for a process on another machine may be at it."""


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Give a temporary path to write to; on leaving without an error it becomes `path`.

    Parameters
    ----------
    path : Path
        The file to create or replace. After any error it is as it was.

    Raises
    ------
    FolderError
        If the folder is missing or read-only or the disk is full.
    """
    temporary = path.with_name(part_name(path.name))
    try:
        if not path.parent.is_dir():
            raise FolderError(f"{path}: the folder {path.parent} does not exist; make it first")
        yield temporary
        _settle(temporary, path)
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink()


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text, whole or not at all; errors as `replacing`."""
    with replacing(path) as temporary:
        try:
            temporary.write_text(text, encoding="utf-8", newline="\n")
        except OSError as error:
            raise FolderError(f"{path}: cannot be written ({error.strerror})") from error


def _settle(temporary: Path, path: Path) -> None:
    """Bring the bytes to disk, then rename."""
    try:
        handle = os.open(temporary, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
        temporary.replace(path)
    except OSError as error:
        raise FolderError(f"{path}: cannot be written ({error.strerror})") from error


def part_name(name: str) -> str:
    """Name of the temporary file, or folder, that becomes `name`; each thread has its own."""
    return f".{name[:100]}.{get_ident()}.{os.getpid()}.part"


def sweep(folder: Path) -> None:
    """Remove temporary files and folders of processes that were killed.

    Parameters
    ----------
    folder : Path
        Looked at itself, not below.
    """
    for path in folder.glob(".*.part"):
        found = LEFT.fullmatch(path.name)
        with contextlib.suppress(OSError):
            if not found or _alive(int(found[1])) or time.time() - path.stat().st_mtime < LEAST_AGE:
                continue
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path)
            else:
                path.unlink()


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:  # another user's
        return True
    return True
