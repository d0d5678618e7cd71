"""Measured sound kept on disk."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from placer.placement import cache


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PLACER_CACHE", str(tmp_path / "cache"))


def test_round_trip() -> None:
    """What was stored comes back bit for bit."""
    arrays = {"a": np.arange(6.0).reshape(2, 3), "b": np.array(2.5)}
    name = cache.key({"x": 1})
    assert cache.load(name) is None
    assert cache.store(name, arrays)
    found = cache.load(name)
    assert found is not None
    np.testing.assert_array_equal(found["a"], arrays["a"])
    assert float(found["b"]) == 2.5


def test_key_depends_on_every_value_and_not_on_order() -> None:
    """Another value is another entry; another order is the same."""
    assert cache.key({"a": 1, "b": 2}) == cache.key({"b": 2, "a": 1})
    assert cache.key({"a": 1, "b": 2}) != cache.key({"a": 1, "b": 3})


@pytest.mark.parametrize("damage", ["flip", "cut", "empty"])
def test_damage_is_noticed(damage: str) -> None:
    """A damaged entry is deleted, so that it is measured again."""
    name = cache.key({"x": 2})
    cache.store(name, {"a": np.ones(100)})
    path = cache.folder() / f"{name}.npz"
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0xFF
    path.write_bytes({"flip": bytes(content), "cut": bytes(content[:-9]), "empty": b""}[damage])
    assert cache.load(name) is None
    assert not path.exists()


def test_an_entry_of_another_key_is_none() -> None:
    """Whole, but under a name that it was not stored under: deleted, never a wrong result."""
    one, other = cache.key({"x": 4}), cache.key({"x": 5})
    cache.store(one, {"a": np.ones(10)})
    (cache.folder() / f"{one}.npz").rename(cache.folder() / f"{other}.npz")
    assert cache.load(other) is None
    assert not list(cache.folder().iterdir())


def test_another_version_has_other_entries(monkeypatch: pytest.MonkeyPatch) -> None:
    """What an earlier version stored is not found, and stays for it."""
    old = cache.key({"x": 6})
    cache.store(old, {"a": np.ones(10)})
    monkeypatch.setattr(cache, "VERSION", cache.VERSION + 1)
    new = cache.key({"x": 6})
    assert cache.load(new) is None
    assert cache.store(new, {"a": np.zeros(10)})
    found = cache.load(old)
    assert found is not None
    assert found["a"].all()


def test_the_oldest_entries_go_first() -> None:
    """The folder stays within its size by dropping what was used longest ago."""
    import os

    names = [cache.key({"x": i}) for i in range(4)]
    for age, name in enumerate(names):
        cache.store(name, {"a": np.zeros(1000)})
        os.utime(cache.folder() / f"{name}.npz", (1000.0 + age, 1000.0 + age))
    size = (cache.folder() / f"{names[0]}.npz").stat().st_size
    cache.trim(cache.folder(), 2 * size)
    assert [cache.load(name) is not None for name in names] == [False, False, True, True]


def test_a_cache_that_cannot_be_written_costs_only_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """No folder, no error: the search goes on without its cache."""
    monkeypatch.setenv("PLACER_CACHE", "/dev/null/none")
    assert cache.store("x", {"a": np.ones(2)}) is False


def test_where_the_cache_lies(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """PLACER_CACHE first, then the desktop's cache folder, then the usual one at home."""
    monkeypatch.setenv("PLACER_CACHE", str(tmp_path / "own"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "desktop"))
    monkeypatch.setenv("HOME", str(tmp_path))
    assert cache.folder() == tmp_path / "own"
    monkeypatch.delenv("PLACER_CACHE")
    assert cache.folder() == tmp_path / "desktop" / "placer"
    monkeypatch.delenv("XDG_CACHE_HOME")
    assert cache.folder() == tmp_path / ".cache" / "placer"


def test_two_threads_may_keep_the_same_entry() -> None:
    """Written and read at once by several, an entry is whole or not there, never something else."""
    name, arrays = cache.key({"x": 3}), {"a": np.arange(20_000.0)}

    def turn(number: int) -> int:
        if number % 2:
            assert cache.store(name, arrays)
            return 0
        found = cache.load(name)
        if found is None:
            return 0
        np.testing.assert_array_equal(found["a"], arrays["a"])
        return 1

    with ThreadPoolExecutor(2) as pool:
        read = sum(pool.map(turn, range(60)))
    assert read > 0
    assert len(list(cache.folder().iterdir())) == 1  # no half-written file is left lying
