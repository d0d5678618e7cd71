"""How functions are compiled, in one place.

`jit`: for plain Python to call.

Sources
-------
numba (BSD-2-Clause), the compiler.
"""

from __future__ import annotations

from typing import Any

import numba as nb


def jit(function: Any) -> Any:
    """Compile, keep the result on disk where that can be, run without the interpreter's lock."""
    try:
        return nb.njit(function, cache=True, nogil=True, error_model="numpy")
    except RuntimeError:  # no folder that can be written to
        return nb.njit(function, nogil=True, error_model="numpy")
