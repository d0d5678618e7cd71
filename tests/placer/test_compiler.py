"""Functions are compiled whether or not the result can be kept on disk."""

from __future__ import annotations

import numpy as np
import pytest

from placer import compiler


def double(values: np.ndarray) -> np.ndarray:
    return 2.0 * values


def test_a_compiled_function_gives_what_it_gave() -> None:
    """The same values, for whoever calls it."""
    np.testing.assert_array_equal(compiler.jit(double)(np.arange(3.0)), [0.0, 2.0, 4.0])


def test_a_folder_that_cannot_be_written_costs_only_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the compiler finds no place for its cache, the function is compiled without."""
    real, asked = compiler.nb.njit, []

    def njit(function: object, **options: object) -> object:
        asked.append(options)
        if options.get("cache"):
            raise RuntimeError("cannot cache function: no locator available")
        return real(function, **options)

    monkeypatch.setattr(compiler.nb, "njit", njit)
    np.testing.assert_array_equal(compiler.jit(double)(np.arange(3.0)), [0.0, 2.0, 4.0])
    assert [bool(one.get("cache")) for one in asked] == [True, False]
    assert all(one["nogil"] for one in asked)
