"""What a worker may claim, and what becomes of its claims when it is killed.

Every claim is a lock that the operating system or the database server drops by itself when its
holder dies, so nothing is ever left behind for the next worker to wait for:

- a *lane* is the smallest free number 0, 1, 2...; a lane's trials have their own row of seeds, so
  two workers never repeat one another and a single worker (lane 0) always walks the same row;
- *joining* is held while a study is created or checked, so that two workers cannot both be first;
- `FileLock` guards one append to the journal file. It also cuts off a last line that a killed
  writer left unfinished: it was never part of the study, but what came after it would be.

*Conventions*: claims on a journal are `flock` locks (on the journal itself, and on small files
`study.journal.lane-N` beside it, removed at the end); on PostgreSQL, session advisory locks.

Sources
-------
flock(2), Linux manual; PostgreSQL documentation, "Explicit locking: advisory locks".
"""

from __future__ import annotations

import fcntl
import os
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

JOINING = 1_000_000
"""Advisory lock number of joining; lanes count from 0 and stay below it."""

LINE_BEGINS = b'{"op_code":'
"""Of every line that a study writes to its journal."""


class FileLock:
    """Lock of a journal for one append, in the form the journal's storage expects.

    Parameters
    ----------
    path : the journal
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: BinaryIO | None = None

    def acquire(self) -> bool:
        """Wait for the lock, then drop a line that a killed writer did not finish."""
        file = self._path.open("r+b")
        try:
            fcntl.flock(file, fcntl.LOCK_EX)
            drop_unfinished_line(file)
        except BaseException:
            file.close()
            raise
        self._file = file
        return True

    def release(self) -> None:
        """Give the lock back."""
        if self._file is not None:
            self._file.close()  # closing drops the flock
            self._file = None


def drop_unfinished_line(file: BinaryIO) -> None:
    """Cut `file` after its last line end.

    Raises
    ------
    ValueError
        The rest is not the beginning of a journal's line, so the file is somebody else's.
    """
    size = file.seek(0, os.SEEK_END)
    end = size
    while end > 0:
        start = max(0, end - 65536)
        file.seek(start)
        found = file.read(end - start).rfind(b"\n")
        if found >= 0:
            end = start + found + 1
            break
        end = start
    file.seek(end)
    begins = file.read(len(LINE_BEGINS)).rstrip(b"\0")  # zeros: a power cut
    if begins != LINE_BEGINS[: len(begins)]:
        raise ValueError(f"its last line begins with {begins!r} and does not end")
    if end < size:
        file.truncate(end)


class FileClaims:
    """Claims on a journal file, by `flock` on small files beside it.

    Parameters
    ----------
    path : the journal
    """

    def __init__(self, path: Path) -> None:
        self._path = path

    @contextmanager
    def joining(self) -> Iterator[None]:
        """Hold the study while it is created or checked; waits for the other holder."""
        claim = self._path.with_name(self._path.name + ".joining")
        file = None
        while file is None:
            file = _claimed(claim, fcntl.LOCK_EX)
        with _held(file, claim):
            yield

    @contextmanager
    def lane(self) -> Iterator[int]:
        """Hold the smallest free lane; the block's value is its number."""
        lane, file = 0, None
        while file is None:
            claim = self._path.with_name(f"{self._path.name}.lane-{lane}")
            file = _claimed(claim, fcntl.LOCK_EX | fcntl.LOCK_NB)
            lane += file is None
        with _held(file, claim):
            yield lane

    def renewed(self, lane: int) -> int:
        """The same: a lock on a file is not lost while its holder lives."""
        return lane


def _claimed(path: Path, operation: int) -> BinaryIO | None:
    """Open and lock `path`; None if another process holds it or just removed it."""
    file = path.open("ab")
    try:
        fcntl.flock(file, operation)
        # the holder before us removes the file: then we have locked a name that is gone
        if path.exists() and os.path.samestat(os.fstat(file.fileno()), path.stat()):
            return file
    except (BlockingIOError, FileNotFoundError):
        pass
    except BaseException:
        file.close()
        raise
    file.close()
    return None


@contextmanager
def _held(file: BinaryIO, path: Path) -> Iterator[None]:
    """Remove the claim's file at the end, while it is still locked."""
    with file:
        try:
            yield
        finally:
            path.unlink(missing_ok=True)


class ServerClaims:
    """Claims on a PostgreSQL server, by session advisory locks of one connection.

    Parameters
    ----------
    connection : SQLAlchemy connection in autocommit mode, kept open by the caller
    name : the study's name, from which the locks' first number is made
    """

    def __init__(self, connection: Any, name: str) -> None:
        self._connection = connection
        self._key = zlib.crc32(name.encode()) - 2**31  # a signed 32-bit number

    def _ask(self, function: str, number: int) -> Any:
        from sqlalchemy import text
        from sqlalchemy.exc import DBAPIError

        try:
            return self._connection.execute(
                text(f"SELECT {function}(:key, :number)"), {"key": self._key, "number": number}
            ).scalar()
        except DBAPIError:
            self._connection.rollback()  # so that it connects anew when it is asked again
            raise

    @contextmanager
    def joining(self) -> Iterator[None]:
        """Hold the study while it is created or checked."""
        self._ask("pg_advisory_lock", JOINING)
        try:
            yield
        finally:
            self._ask("pg_advisory_unlock", JOINING)

    @contextmanager
    def lane(self) -> Iterator[int]:
        """Hold the smallest free lane; the server drops it with the connection."""
        yield self._free()

    def renewed(self, lane: int) -> int:
        """Hold the lane on: a server that was restarted has forgotten it, and another may have it.

        A session may take its own lock again, so asking harms nothing.
        """
        return lane if self._ask("pg_try_advisory_lock", lane) else self._free()

    def _free(self) -> int:
        return next(n for n in range(JOINING) if self._ask("pg_try_advisory_lock", n))


Claims = FileClaims | ServerClaims
"""What a worker can claim; each claim is a `with` block."""
