"""Functions are compiled whether or not the result can be kept, and stale results are never run."""

from __future__ import annotations

import importlib
import os
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numba.core.caching import UserProvidedCacheLocator

from placer import compiler

CALLER = """
from placer.compiler import jit
from {folder}.called import factor

@jit
def scaled(x):
    return factor(x)
"""

CALLED = """
import numba

@numba.njit
def factor(x):
    return {number} * x
"""


def double(values: np.ndarray) -> np.ndarray:
    return 2.0 * values


def imported(folder: Path) -> Any:
    """The compiled function of a folder, as a process that starts now would see it."""
    for name in [name for name in sys.modules if name.split(".")[0] == folder.name]:
        del sys.modules[name]
    importlib.invalidate_caches()
    compiler._digest.cache_clear()
    return importlib.import_module(f"{folder.name}.caller").scaled


@pytest.fixture
def sources(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a compiled function that calls one of another file."""
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    monkeypatch.setattr(compiler.CONFIG, "CACHE_DIR", "")  # beside the sources
    folder = tmp_path / "compiled_sources"
    folder.mkdir()
    (folder / "__init__.py").touch()
    (folder / "caller.py").write_text(CALLER.format(folder=folder.name))
    (folder / "called.py").write_text(CALLED.format(number=2.0))
    return folder


def test_a_compiled_function_gives_what_it_gave() -> None:
    """The same values, for whoever calls it."""
    np.testing.assert_array_equal(compiler.jit(double)(np.arange(3.0)), [0.0, 2.0, 4.0])


def test_a_folder_that_cannot_be_written_costs_only_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the compiler finds no place for its cache, the function is compiled without."""
    monkeypatch.setattr(compiler._NamedResults, "_locator_classes", [])
    compiled = compiler.jit(double)
    np.testing.assert_array_equal(compiled(np.arange(3.0)), [0.0, 2.0, 4.0])
    assert compiled.stats.cache_path is None
    assert compiler.is_kept(compiled)
    assert compiler.forget_stale([compiled]) == 0


def test_results_lie_in_the_cache_folder_where_no_other_can_be_written(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Installed for all users, and a home of reading alone: compiled once all the same."""
    monkeypatch.setattr(compiler._NamedResults, "_locator_classes", [UserProvidedCacheLocator])
    monkeypatch.setattr(compiler.CONFIG, "CACHE_DIR", "")
    monkeypatch.setenv("PLACER_CACHE", str(tmp_path))
    compiled = compiler.jit(double)
    assert not compiler.is_kept(compiled)
    np.testing.assert_array_equal(compiled(np.arange(3.0)), [0.0, 2.0, 4.0])
    assert compiled.stats.cache_path.startswith(str(tmp_path))
    assert compiler.is_kept(compiled)
    assert list(tmp_path.rglob("*.nbi"))
    assert compiler.CONFIG.CACHE_DIR == ""


def test_a_changed_source_beside_it_is_compiled_anew(sources: Path) -> None:
    """An unchanged folder's result is found again; with one of other sources it is never run."""
    first = imported(sources)
    assert not compiler.is_kept(first)
    assert first(3.0) == 6.0
    again = imported(sources)
    assert compiler.is_kept(again)
    assert again(3.0) == 6.0
    assert sum(again.stats.cache_hits.values()) == 1
    called = sources / "called.py"
    old = called.stat()
    called.write_text(CALLED.format(number=5.0))
    os.utime(called, ns=(old.st_atime_ns, old.st_mtime_ns))  # a date tells nothing
    changed = imported(sources)
    assert not compiler.is_kept(changed)
    assert changed(3.0) == 15.0
    assert sum(changed.stats.cache_hits.values()) == 0


def test_only_results_of_other_sources_are_forgotten(sources: Path) -> None:
    """Importing deletes nothing; being asked deletes what no import can find again."""
    imported(sources)(3.0)
    before = set(sources.glob("__pycache__/*.nb[ci]"))
    (sources / "called.py").write_text(CALLED.format(number=5.0))
    changed = imported(sources)
    changed(3.0)
    every = set(sources.glob("__pycache__/*.nb[ci]"))
    assert before < every
    assert compiler.forget_stale([changed, changed]) == len(before) == 2
    assert set(sources.glob("__pycache__/*.nb[ci]")) == every - before
    assert compiler.is_kept(changed)
    assert compiler.forget_stale([changed]) == 0
