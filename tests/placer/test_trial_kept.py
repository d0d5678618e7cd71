"""What is let go of leaves the process, so that its workers can have the memory."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from placer.placing.exact import Placed
from placer.trial.kept import Kept, size_of

STATM = Path("/proc/self/statm")


def resident() -> int:
    """Bytes of this process in memory."""
    return int(STATM.read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def placed(frames: int) -> Placed:
    """A placed track that is in memory from end to end."""
    audio = np.ones((2, frames), dtype=np.float32)
    rest = np.ones((4, 39, 1), dtype=np.float32)
    return Placed(audio, 0.0, rest, rest, rest[..., 0], rest[..., 0], rest[:, :11, 0])


@pytest.mark.skipif(not STATM.exists(), reason="tells resident memory from /proc")
def test_memory_that_is_let_go_is_given_back() -> None:
    """Tracks of some megabytes, which the C library would keep for itself, go back as well."""
    raised = np.ones(31 * 2**20, dtype=np.uint8)
    del raised  # from now on blocks of that size are taken from the heap
    kept = Kept(10**9)
    for number in range(30):
        kept.offer(number, placed(2**20), ())
    last = placed(2**20)  # above them in the heap: it cannot simply shrink
    before, size = resident(), kept.bytes
    assert size > 30 * 8 * 2**20
    kept.bound(size_of(last))
    assert kept.bytes <= size_of(last)
    assert resident() < before - 0.9 * (size - size_of(last))
