"""How functions are compiled, and how the results are kept on disk.

The compiler itself looks only at the file of the function it compiles, not at those it calls. So
the name of every result holds a digest of all sources in that file's folder: what other sources
gave has another name, and is never run. Compiled functions call such of their own folder only.
Results lie beside the sources or at home; where neither can be written to (an installation for all
users, a home of reading alone), in the cache folder.

`jit`: for plain Python to call. `is_kept`: whether a function's result lies on the disk.
`forget_stale`: deletes results of other sources.

Sources
-------
numba (BSD-2-Clause), the compiler.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

import numba as nb
from numba.core.caching import CompileResultCacheImpl, FunctionCache

from placer.cache_folder import folder
from placer.version import sources_digest

_digest = cache(sources_digest)

CONFIG: Any = nb.config


class _NamedResults(CompileResultCacheImpl):
    """Results whose names tell the sources that they are of."""

    def __init__(self, function: Any) -> None:
        sources = _digest((Path(function.__code__.co_filename).parent,))
        self.digest = f"{sources}-{nb.__version__}"
        super().__init__(function)  # type: ignore[no-untyped-call]

    def get_filename_base(self, fullname: str, abiflags: str) -> str:
        """The compiler's name, and the digest after it."""
        name = super().get_filename_base(fullname, abiflags)  # type: ignore[no-untyped-call]
        return f"{name}.{self.digest}"


class _Results(FunctionCache):
    """Results of one function on disk."""

    _impl_class = _NamedResults

    def stale(self) -> list[Path]:
        """Results of other sources, whichever function they are of."""
        kept = Path(self.cache_path).glob("*.nb[ci]")
        return [path for path in kept if f".{self._impl.digest}." not in path.name]

    def any(self) -> bool:
        """Whether there is a result of these sources."""
        return Path(self.cache_path, f"{self._impl.filename_base}.nbi").exists()


def jit(function: Any, *, fastmath: Iterable[str] = ()) -> Any:
    """Compile, keep the result on disk where that can be, run without the interpreter's lock.

    Parameters
    ----------
    function : callable
    fastmath : liberties that the compiler may take with the order of sums
    """
    compiled = nb.njit(function, nogil=True, fastmath=set(fastmath), error_model="numpy")
    try:
        compiled._cache = _Results(function)  # type: ignore[no-untyped-call]
    except RuntimeError:  # neither beside the sources nor at home
        _keep_in_cache_folder(compiled, function)
    return compiled


def _keep_in_cache_folder(compiled: Any, function: Any) -> None:
    """Keep results in the cache folder; where it cannot be written to either, none are kept."""
    usual = CONFIG.CACHE_DIR
    try:
        CONFIG.CACHE_DIR = str(folder() / "compiled")
        with suppress(RuntimeError, OSError):
            compiled._cache = _Results(function)  # type: ignore[no-untyped-call]
    finally:
        CONFIG.CACHE_DIR = usual


def is_kept(compiled: Any) -> bool:
    """Whether a compiled function's result lies on the disk; true where it cannot."""
    results = compiled._cache
    return not isinstance(results, _Results) or results.any()


def forget_stale(compiled: Iterable[Any]) -> int:
    """Delete what other sources of the folders of these compiled functions gave.

    Returns
    -------
    int
        How many files were deleted.
    """
    caches = [one._cache for one in compiled if isinstance(one._cache, _Results)]
    stale = {path for results in caches for path in results.stale()}
    deleted = 0
    for path in stale:
        with suppress(OSError):  # another process was quicker, or the folder is not ours
            path.unlink()
            deleted += 1
    return deleted
