"""How measured sound is kept on disk, so that a second run starts at once.

*Conventions*: one `.npz` file an entry under the user's cache folder, named by the hash of all that
the entry depends on; `VERSION` is part of that hash. A file is written under a temporary name and
renamed, so several processes may share the folder; each holds the checksum of its key and content,
and one that does not match, or lies under another name, is deleted and built again. The oldest
entries go when the folder exceeds `MOST_BYTES`.

`key`: hash of a description. `load`, `store`: arrays by key.
"""

from __future__ import annotations

import hashlib
import io
import itertools
import json
import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from placer.audio.atomic import replacing, sweep
from placer.cache_folder import folder
from placer.errors import FolderError

VERSION = 8
"""Raised whenever what a table holds, or how it is computed, changes."""

MOST_BYTES = 4 * 1024**3
"""Size that the cache folder is trimmed to."""

DIGEST_BYTES = 32

TRIM_EVERY = 64
"""Entries stored by this process from one look at the folder's size to the next."""

_STORED = itertools.count()


def key(description: Mapping[str, Any]) -> str:
    """Hash of everything an entry depends on, 40 hexadecimal digits.

    Parameters
    ----------
    description : mapping
        Plain values only (text, numbers, lists, mappings); order does not matter.
    """
    text = json.dumps({"version": VERSION, **description}, sort_keys=True)
    return hashlib.blake2b(text.encode(), digest_size=20).hexdigest()


def load(name: str) -> dict[str, np.ndarray] | None:
    """Arrays stored under a key, or None where there are none or the file is damaged."""
    path = folder() / f"{name}.npz"
    try:
        content = path.read_bytes()
    except OSError:
        return None
    digest, body = content[:DIGEST_BYTES], content[DIGEST_BYTES:]
    if _digest(name, body) != digest:
        with suppress(OSError):
            path.unlink(missing_ok=True)
        return None
    with np.load(io.BytesIO(body), allow_pickle=False) as file:
        arrays = {entry: file[entry] for entry in file.files}
    with suppress(OSError):  # another process may have trimmed it away
        os.utime(path)
    return arrays


def store(name: str, arrays: Mapping[str, np.ndarray]) -> bool:
    """Keep arrays under a key.

    Parameters
    ----------
    name : str
        From `key`.
    arrays : mapping of str to ndarray

    Returns
    -------
    bool
        False where the disk cannot take them: a cache that cannot be written costs time only.
    """
    buffer = io.BytesIO()
    named: dict[str, Any] = {entry: np.asarray(array) for entry, array in arrays.items()}
    np.savez(buffer, **named)
    body = buffer.getvalue()
    place = folder()
    try:
        place.mkdir(parents=True, exist_ok=True)
        with replacing(place / f"{name}.npz") as temporary:
            temporary.write_bytes(_digest(name, body) + body)
        if next(_STORED) % TRIM_EVERY == 0:  # looking through the folder takes a while
            sweep(place)
            trim(place, MOST_BYTES)
    except (OSError, FolderError):
        return False
    return True


def _digest(name: str, body: bytes) -> bytes:
    """Checksum of an entry: of its content and of the key that it was stored under."""
    digest = hashlib.blake2b(name.encode(), digest_size=DIGEST_BYTES)
    digest.update(body)
    return digest.digest()


def trim(place: Path, most_bytes: int) -> None:
    """Delete the entries that were used longest ago until the folder is small enough."""
    entries = []
    for path in place.glob("*.npz"):
        try:
            facts = path.stat()
        except FileNotFoundError:  # another process has just deleted it
            continue
        entries.append((facts.st_mtime, facts.st_size, path))
    excess = sum(size for _, size, _ in entries) - most_bytes
    for _, size, path in sorted(entries):
        if excess <= 0:
            break
        path.unlink(missing_ok=True)
        excess -= size
