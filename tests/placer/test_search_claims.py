"""Claims: one holder each, gone with the holder."""

from __future__ import annotations

import io
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from placer.search.claims import FileClaims, FileLock, drop_unfinished_line


def test_lanes_are_the_smallest_free_numbers(tmp_path: Path) -> None:
    """Lanes 0, 1, 2 in turn; one given back is the next one given out; no file is left."""
    claims = FileClaims(tmp_path / "study.journal")
    with claims.lane() as first:
        with claims.lane() as second:
            assert (first, second) == (0, 1)
        with claims.lane() as again, claims.lane() as third:
            assert (again, third) == (1, 2)
    assert not list(tmp_path.iterdir())


def test_a_killed_holder_holds_nothing(tmp_path: Path) -> None:
    """A process killed while it holds a lane and joins: both are free at once."""
    script = (
        "import sys, time; from pathlib import Path; from placer.search.claims import FileClaims\n"
        "claims = FileClaims(Path(sys.argv[1]))\n"
        "with claims.lane() as lane, claims.joining():\n"
        "    print(lane, flush=True); time.sleep(60)"
    )
    journal = tmp_path / "study.journal"
    command = [sys.executable, "-c", script, str(journal)]
    root = Path(__file__).parents[2]
    with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=root) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"0\n"
        with FileClaims(journal).lane() as lane:
            assert lane == 1
        holder.kill()
    begun = time.monotonic()
    with FileClaims(journal).joining(), FileClaims(journal).lane() as lane:
        assert lane == 0
    assert time.monotonic() - begun < 5
    assert not list(tmp_path.iterdir())


def test_joining_is_one_at_a_time(tmp_path: Path) -> None:
    """Eight at once pass one by one, although each removes the claim's file."""
    claims = FileClaims(tmp_path / "study.journal")
    inside, most = 0, 0

    def join() -> None:
        nonlocal inside, most
        for _ in range(20):
            with claims.joining():
                inside += 1
                most = max(most, inside)
                time.sleep(0.0005)
                inside -= 1

    threads = [threading.Thread(target=join) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert most == 1


@pytest.mark.parametrize(
    ("content", "kept"),
    [
        (b"", b""),
        (b"one\n", b"one\n"),
        (b'one\n{"op_c', b"one\n"),
        (b'{"op_code":4,"wor', b""),
        (b'one\n{"op_code":4' + b"x" * 200_000, b"one\n"),
        (b"one\n" + b"\0" * 4096, b"one\n"),
    ],
)
def test_only_an_unfinished_line_is_dropped(content: bytes, kept: bytes) -> None:
    """Whole lines stay, whatever the length of the torn one."""
    file = io.BytesIO(content)
    drop_unfinished_line(file)
    assert file.getvalue() == kept


@pytest.mark.parametrize("content", [b"notes", b"one\nx", b'{"a": 1', b"\0\0x", b"RIFF\0\0"])
def test_somebody_elses_last_line_is_left_alone(content: bytes) -> None:
    """What no study has begun to write is never cut off, whoever named the file."""
    file = io.BytesIO(content)
    with pytest.raises(ValueError, match="does not end"):
        drop_unfinished_line(file)
    assert file.getvalue() == content


def test_lock_of_a_missing_journal(tmp_path: Path) -> None:
    """A journal that was removed under the study is an error, not a new journal."""
    with pytest.raises(FileNotFoundError):
        FileLock(tmp_path / "gone").acquire()
