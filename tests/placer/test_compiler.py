"""Functions are compiled whether or not the result can be kept on disk."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from placer import compiler
from placer.version import version


def double(values: np.ndarray) -> np.ndarray:
    return 2.0 * values


def test_a_compiled_function_gives_what_it_gave() -> None:
    """The same values, for whoever calls it."""
    np.testing.assert_array_equal(compiler.jit(double)(np.arange(3.0)), [0.0, 2.0, 4.0])


def homeless(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """Let the compiler find no place beside the sources or at home; whether it was to keep."""
    real, asked = compiler.nb.njit, list[bool]()

    def njit(function: Any, **options: Any) -> Any:
        asked.append(bool(options.get("cache")))
        assert options["nogil"]
        place = compiler.nb.config.CACHE_DIR
        if asked[-1] and (not place or place.startswith("/dev/null")):
            raise RuntimeError("cannot cache function: no locator available")
        return real(function, **options)

    monkeypatch.setattr(compiler.nb.config, "CACHE_DIR", "")
    monkeypatch.setattr(compiler.nb, "njit", njit)
    return asked


def test_where_nothing_else_can_be_written_the_cache_folder_takes_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """In a folder named after the sources; the compiler's own choice is as before."""
    asked = homeless(monkeypatch)
    monkeypatch.setenv("PLACER_CACHE", str(tmp_path))
    compiled = compiler.jit(double)
    np.testing.assert_array_equal(compiled(np.arange(3.0)), [0.0, 2.0, 4.0])
    assert asked == [True, True]
    assert list(tmp_path.glob(f"compiled-{version()}/*/*double*.nbi"))
    assert compiler.nb.config.CACHE_DIR == ""


def test_a_folder_that_cannot_be_written_costs_only_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the compiler finds no place at all, the function is compiled without."""
    asked = homeless(monkeypatch)
    monkeypatch.setenv("PLACER_CACHE", "/dev/null/none")
    np.testing.assert_array_equal(compiler.jit(double)(np.arange(3.0)), [0.0, 2.0, 4.0])
    assert asked == [True, True, False]


def test_what_may_be_stale_is_not_used(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Results beside the sources are left alone where they could not be deleted."""
    asked = homeless(monkeypatch)
    monkeypatch.setenv("PLACER_CACHE", str(tmp_path))
    assert compiler.jit(double, beside=False).stats.cache_path.startswith(str(tmp_path))
    assert asked == [True]
