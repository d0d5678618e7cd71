"""How a file appears under its name whole, or not at all.

*Conventions*: the temporary file lies in the same folder (a rename never crosses file systems),
begins with a dot and ends in `.part`, so that an interrupted run leaves nothing that looks whole.

Sources
-------
POSIX.1-2017 rename(): the old file or the new one is seen, never a mixture.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from placer.errors import FolderError


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
    temporary = path.with_name(f".{path.name[:100]}.{os.getpid()}.part")
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
