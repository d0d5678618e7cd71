"""How functions are compiled, in one place.

The compiler keeps its results beside the sources or at home. Where neither can be written to (an
installation for all users, a home of reading alone), they are kept in the cache folder, in a folder
that is named after the sources.

`jit`: for plain Python to call.

Sources
-------
numba (BSD-2-Clause), the compiler.
"""

from __future__ import annotations

from contextlib import suppress
from typing import Any

import numba as nb

from placer.cache_folder import folder
from placer.version import version

CONFIG: Any = nb.config


def jit(function: Any, *, beside: bool = True, **options: Any) -> Any:
    """Compile, keep the result on disk where that can be, run without the interpreter's lock.

    Parameters
    ----------
    beside : bool
        Whether results that lie beside the sources, or at home, may be used.
    options
        Of the compiler.
    """
    options = {"nogil": True, "error_model": "numpy", **options}
    if beside:
        with suppress(RuntimeError):  # no folder that can be written to
            return nb.njit(function, cache=True, **options)
    usual = CONFIG.CACHE_DIR
    try:
        CONFIG.CACHE_DIR = str(folder() / f"compiled-{version()}")
        return nb.njit(function, cache=True, **options)
    except (RuntimeError, OSError):
        return nb.njit(function, **options)
    finally:
        CONFIG.CACHE_DIR = usual
