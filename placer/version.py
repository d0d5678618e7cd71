"""Which placer this is: so that no two that find different things share one study.

*Conventions*: the number alone does not tell two checkouts apart, so a digest of the sources that
decide a trial stands beside it; pages, sheets and commands are no part of it.

`version`: number and digest, in one word.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import cache
from importlib import metadata
from pathlib import Path

import sim

DECIDING = ("cue", "audio", "placement", "cost", "search", "run")
"""Folders of this package whose modules decide what a trial finds, beside `sim`."""


@cache
def version() -> str:
    """Number and digest of this placer, such as `0.1.0+5d41c0ffee12`.

    Returns
    -------
    str
        Equal on two machines exactly if the number and the deciding sources are equal.
    """
    try:
        number = metadata.version("placer")
    except metadata.PackageNotFoundError:  # runs from a folder that is not installed
        number = "0"
    here = Path(__file__).parent
    return f"{number}+{sources_digest([Path(sim.__file__).parent, *(here / n for n in DECIDING)])}"


def sources_digest(folders: Sequence[Path]) -> str:
    """Digest of the Python sources in some folders, by name and content (12 hexadecimal digits)."""
    digest = hashlib.blake2b(digest_size=6)
    for folder in folders:
        for path in sorted(folder.rglob("*.py")):
            content = hashlib.blake2b(path.read_bytes()).digest()
            digest.update(f"{folder.name}/{path.relative_to(folder).as_posix()}".encode() + content)
    return digest.hexdigest()
