"""The cache of measured sound under what may go wrong: other processes, kills, a full disk.

Whatever happens, an entry is given back as it was stored, or not at all.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from placer.placement import cache

pytestmark = pytest.mark.slow

KEYS = 40
WRITER = """
import sys
import numpy as np
from placer.placement import cache
cache.MOST_BYTES, cache.TRIM_EVERY = 400_000, 4
wrong = read = 0
for turn in range(400):
    number = (turn // 2 * 7 + int(sys.argv[1])) % 40  # each twice: the second time to be found
    name = cache.key({"number": number})
    found = cache.load(name)
    if found is None:
        assert cache.store(name, {"a": np.full(2000, float(number))})
    else:
        read += 1
        wrong += not np.array_equal(found["a"], np.full(2000, float(number)))
print(wrong, read)
"""
FILLER = """
import resource
import numpy as np
from placer.placement import cache
resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))
name = cache.key({"number": 1})
print(cache.store(name, {"a": np.ones(20_000)}), cache.load(name))
small = cache.key({"number": 2})
print(cache.store(small, {"a": np.ones(100)}), cache.load(small)["a"].sum())
"""


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A cache folder of this test's own, for its child processes too."""
    monkeypatch.setenv("PLACER_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


def started(code: str, *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *words], stdout=subprocess.PIPE, text=True, env=os.environ
    )


def test_two_processes_write_read_and_trim_at_once(own_folder: Path) -> None:
    """No wrong entry in 800 turns, the size within its bound and a few entries, no part file."""
    processes = [started(WRITER, str(number)) for number in (1, 2)]
    said = [process.communicate(timeout=240)[0].split() for process in processes]
    assert [process.returncode for process in processes] == [0, 0]
    assert [int(wrong) for wrong, _ in said] == [0, 0]
    assert all(int(read) > 50 for _, read in said)
    size = sum(path.stat().st_size for path in own_folder.iterdir())
    assert size <= 400_000 + 2 * 4 * 17_000
    assert not list(own_folder.glob("*.part"))


def test_a_writer_that_is_killed_leaves_whole_entries(own_folder: Path) -> None:
    """Ten kills at different moments: every entry that is there is right."""
    for turn in range(10):
        process = started(WRITER, str(turn))
        time.sleep(0.6 + 0.07 * turn)
        process.kill()
        process.communicate()
    found = 0
    for number in range(KEYS):
        entry = cache.load(cache.key({"number": number}))
        if entry is not None:
            found += 1
            np.testing.assert_array_equal(entry["a"], np.full(2000, float(number)))
    assert found > 0


def test_a_full_disk_costs_only_time(own_folder: Path) -> None:
    """What does not fit is not kept, leaves nothing behind, and what fits still is."""
    process = started(FILLER)
    said, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    assert said.split() == ["False", "None", "True", "100.0"]
    assert len(list(own_folder.iterdir())) == 1


@pytest.mark.parametrize("seed", range(4))
def test_damage_anywhere_is_noticed(seed: int) -> None:
    """A flipped bit, cut or grown at any place: not one wrong entry in 100."""
    rng = np.random.default_rng(seed)
    wanted = np.arange(300.0)
    for turn in range(100):
        name = cache.key({"seed": seed, "turn": turn})
        cache.store(name, {"a": wanted})
        path = cache.folder() / f"{name}.npz"
        content = bytearray(path.read_bytes())
        place = int(rng.integers(len(content)))
        if turn % 3 == 0:
            content[place] ^= 1 << int(rng.integers(8))
        elif turn % 3 == 1:
            content = content[:place]
        else:
            content += rng.bytes(1 + place)
        path.write_bytes(bytes(content))
        assert cache.load(name) is None
        assert not path.exists()
