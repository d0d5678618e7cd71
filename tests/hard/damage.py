"""Documents damaged at random: JSON values, TOML text and bytes.

*Conventions*: `rng` is a `random.Random`, so that a seed names one damage.

`damaged`: a JSON value with one to four faults. `torn`: bytes or text with a few.
"""

from __future__ import annotations

import copy
import random
from typing import Any

STRANGE: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2, 7, 10**9, -(10**30), 10**400, 0.0, -0.0, 0.5, -1e-300, 1e300,
    float("nan"), float("inf"), float("-inf"), "", " ", "x", "../../x", "/etc/passwd", "a/b", ".",
    "..", "CON", "\x00", "\n", "<script>alert(1)</script>", "{{x}}", "\ud800", "\u202e", "ä" * 300,
    "placer.result/0", [], [[]], [None], [0.0], [1, 2], [1, 2, 3], {}, {"x": 1}, {"rank": 0}, [{}],
)  # fmt: skip
"""What a value may be replaced by."""

TEXT = (
    "=", "[", "]", "[[", "]]", "{", "}", '"', "'", "'''", "#", "\n", "\t", "\x00", ",", ".", "nan",
    "inf", "-", "1e999", "9" * 400, "true", "[[track]]", "[cue]", "\\u0000", "\\", "ä", "\ufeff",
    "\r", "2020-01-01", "file = ", "name = '../x'", "limits = { area = [0, 0, 0, 0] }", "fixed = 1",
)  # fmt: skip


def places(value: Any) -> list[tuple[Any, Any]]:
    """Every (container, key) inside a JSON value."""
    found: list[tuple[Any, Any]] = []
    if isinstance(value, dict):
        for key, inner in value.items():
            found += [(value, key), *places(inner)]
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            found += [(value, index), *places(inner)]
    return found


def damaged(value: Any, rng: random.Random) -> Any:
    """A copy of a JSON value in which one to four things are missing, strange or exchanged."""
    result = copy.deepcopy(value)
    for _ in range(rng.randint(1, 4)):
        spots = places(result)
        if not spots:
            return result
        holder, key = rng.choice(spots)
        action = rng.randrange(6)
        if action == 0:
            del holder[key]
        elif action in (1, 2):
            holder[key] = copy.deepcopy(rng.choice(STRANGE))
        elif action == 3:
            other, at = rng.choice(spots)
            holder[key] = copy.deepcopy(other[at])
        elif action == 4 and isinstance(holder, list):
            holder.insert(key, copy.deepcopy(holder[key]))
        elif isinstance(holder[key], int | float) and not isinstance(holder[key], bool):
            holder[key] = _other_number(holder[key], rng)
        elif isinstance(holder, dict):
            holder[str(rng.choice(("", "x", "ä", "rank", "\ud800", "name")))] = holder.pop(key)
    return result


def _other_number(value: float, rng: random.Random) -> Any:
    scale = rng.choice((-1, 0, 2, 1000, 1e15, 1e-15, 1e308))
    try:
        return value * scale
    except OverflowError:
        return float("inf")


def torn(text: bytes, rng: random.Random) -> bytes:
    """Bytes of a file with one to six pieces cut, doubled, moved, flipped or put in."""
    data = bytearray(text)
    for _ in range(rng.randint(1, 6)):
        start = rng.randrange(len(data) + 1)
        length = min(len(data) - start, rng.choice((1, 1, 2, 5, 20, 100)))
        action = rng.randrange(6)
        if action == 0:
            del data[start : start + length]
        elif action == 1:
            data[start:start] = data[start : start + length]
        elif action == 2:
            data[start:start] = rng.choice(TEXT).encode()
        elif action == 3 and length:
            data[start] ^= 1 << rng.randrange(8)
        elif action == 4:
            piece = data[start : start + length]
            del data[start : start + length]
            to = rng.randrange(len(data) + 1)
            data[to:to] = piece
        elif action == 5 and rng.random() < 0.1:
            del data[start:]
    return bytes(data)
