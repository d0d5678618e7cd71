"""Where everything is kept that can be worked out again.

`folder`: the user's cache folder.
"""

from __future__ import annotations

import os
from pathlib import Path


def folder() -> Path:
    """Cache folder: PLACER_CACHE, else XDG_CACHE_HOME/placer, else ~/.cache/placer."""
    chosen = os.environ.get("PLACER_CACHE")
    if chosen:
        return Path(chosen)
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "placer"
