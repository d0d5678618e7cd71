"""How one TOML table is read: each value checked once, each mistake told in one line.

A message names the file, the key with the value given, what is allowed and what to try. A key that
was never asked for is an error, with the nearest key that was.

*Conventions*: numbers are finite; true is no number; text holds no control characters.

`load`: a TOML file as a `Table`. `Table`: its values. `filled`: a record with what a table says.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
import tomllib
from collections.abc import Collection, Iterable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from placer.cue.mistakes import explained
from placer.errors import CueError

LARGEST_FILE = 4 * 1024**2
"""Bytes; a cue file is kilobytes, so more is a wrong file."""
LONGEST_TEXT = 1000
EARLIER_KEYS = {"ambient": "hall", "ambient_distance": "hall_distance"}
"""Names of the hall position and of its distance that are still read."""
FREE_NAMES = ("section", "role")
"""Tables whose keys the composer chooses."""
Record = TypeVar("Record")
Range = tuple[float, float]


class Table:
    """A TOML table being read.

    Parameters
    ----------
    values : dict
        What the file holds.
    file : Path
        Where it stands, for messages.
    name : str
        The table's own key with a dot at its end, "" at the top of the file.
    """

    def __init__(self, values: dict[str, Any], file: Path, name: str = "") -> None:
        self.file = file
        self.name = name
        self._values = values
        self._asked: set[str] = set()

    def __contains__(self, key: str) -> bool:
        """Tell whether the key is given; asking makes it a known key."""
        self._asked.add(key)
        return key in self._values

    def keys(self) -> list[str]:
        """Every key that is given, for tables whose keys are free names."""
        self._asked.update(self._values)
        return list(self._values)

    def holds_only(self, key: str) -> bool:
        """Tell whether this is the one key that is given."""
        return list(self._values) == [key]

    def is_list(self, key: str) -> bool:
        """Tell whether the key is given and holds a list."""
        return key in self and isinstance(self._values[key], list)

    def only(self, known: Iterable[str]) -> None:
        """Refuse all but the known keys at once, before their values are judged."""
        self._asked.update(known)
        self.close()

    def error(self, key: str, problem: str) -> CueError:
        """Make the error for one key; `problem` says what is wrong, allowed, and what to try."""
        given = f" = {shown(self._values[key])}" if key in self._values else ""
        return CueError(f"{self.file}: {self.name}{key}{given}: {problem}")

    def number(self, key: str, limits: Range, default: float | None = None) -> float:
        """Read a finite number within `limits`; without a default it must be given."""
        if key not in self:
            if default is None:
                raise self.error(key, f"is missing; give a number from {_span(limits)}")
            return default
        return self._number(key, self._values[key], limits)

    def whole(self, key: str, limits: Range, default: int) -> int:
        """Read a whole number within `limits`."""
        if key not in self:
            return default
        if not isinstance(self._values[key], int):
            raise self.error(key, f"is no whole number; allowed: {_span(limits)}")
        return int(self._number(key, self._values[key], limits))

    def numbers(
        self, key: str, limits: Range, count: int | None = None
    ) -> tuple[float, ...] | None:
        """Read a list of numbers, each within `limits`; None if it is not given."""
        if key not in self:
            return None
        value = self._values[key]
        if not isinstance(value, list) or (count is not None and len(value) != count):
            many = "numbers" if count is None else f"{count} numbers"
            raise self.error(key, f"is no list of {many}; allowed: [...], each {_span(limits)}")
        return tuple(self._number(key, one, limits) for one in value)

    def value(self, key: str) -> Any:
        """Give a value as it stands, for whoever judges it; it must be given."""
        if key not in self:
            raise self.error(key, "is missing")
        return self._values[key]

    def flag(self, key: str, *, default: bool) -> bool:
        """Read true or false."""
        if key not in self:
            return default
        value = self._values[key]
        if not isinstance(value, bool):
            raise self.error(key, "is neither true nor false; write one of them without quotes")
        return value

    def text(
        self, key: str, default: str | None = None, *, allowed: Collection[str] | None = None
    ) -> str:
        """Read text, one of `allowed` if that is given; without a default it must be given."""
        if key not in self:
            if default is None:
                raise self.error(key, "is missing; give it some text in quotes")
            return default
        value = self._values[key]
        if not isinstance(value, str):
            raise self.error(key, "is no text; write it in quotes")
        if not value or len(value) > LONGEST_TEXT or not value.isprintable():
            raise self.error(
                key, f"is empty, longer than {LONGEST_TEXT} characters or holds control characters"
            )
        if allowed is not None and value not in allowed:
            raise self.error(key, f"is not known{nearest(value, allowed)}")
        return value

    def texts(self, key: str, *, allowed: Collection[str] | None = None) -> tuple[str, ...]:
        """Read a list of words, each given once, and one of `allowed` if that is given."""
        if key not in self:
            return ()
        value = self._values[key]
        if not isinstance(value, list) or not all(isinstance(word, str) for word in value):
            listed = f"; allowed: {', '.join(allowed)}" if allowed else ""
            raise self.error(key, f'is no list of words; write ["one", "two"]{listed}')
        for word in value:
            if allowed is not None and word not in allowed:
                raise self.error(key, f"{shown(word)} is not known{nearest(word, allowed)}")
        if len(set(value)) < len(value):
            raise self.error(key, "names one word twice; keep one of them")
        return tuple(value)

    def table(self, key: str) -> Table:
        """Read a table within this one; empty if it is not given."""
        value = self._values[key] if key in self else {}
        if not isinstance(value, dict):
            raise self.error(key, f"is no table; write [{self.name}{key}] with keys below it")
        return Table(value, self.file, f"{self.name}{key}.")

    def tables(self, key: str) -> list[Table]:
        """Read an array of tables; each is called by its `name` in messages if it has one."""
        value = self._values[key] if key in self else []
        if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
            raise self.error(key, f"is no list of tables; begin each with [[{key}]]")
        called = [one.get("name", index + 1) for index, one in enumerate(value)]
        return [
            Table(one, self.file, f"{key} {shown(name)}: ")
            for one, name in zip(value, called, strict=True)
        ]

    def close(self) -> None:
        """Refuse keys that nobody asked for; call it when all is read."""
        for key in self._values:
            if key not in self._asked:
                problem = f"is no key of this table{nearest(key, self._asked)}"
                raise CueError(f"{self.file}: {self.name}{shown_key(key)}: {problem}")

    def _number(self, key: str, value: object, limits: Range) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.error(key, f"is no number; allowed: {_span(limits)}, without quotes or unit")
        low, high = limits
        if not (low <= value <= high and math.isfinite(value)):
            raise self.error(key, f"is out of range; allowed: {_span(limits)}")
        return float(value)


def load(file: Path) -> Table:
    """Read a TOML file.

    Raises
    ------
    CueError
        If it is missing, unreadable, too large, not UTF-8 or not valid TOML.
    """
    try:
        if not file.is_file():
            problem = "is not a file" if file.exists() else "no such file"
            raise CueError(f"{file}: {problem}; check the name")
        if file.stat().st_size > LARGEST_FILE:
            raise CueError(f"{file}: is larger than {LARGEST_FILE} bytes; is it a cue file?")
        text = file.read_bytes().decode("utf-8-sig")
        return Table(_renamed(tomllib.loads(text)), file)
    except tomllib.TOMLDecodeError as error:
        raise CueError(f"{file}: is not valid TOML: {explained(text, str(error))}") from error
    except UnicodeDecodeError as error:
        raise CueError(
            f"{file}: is not UTF-8 text (byte {error.start}); save it as UTF-8"
        ) from None
    except (ValueError, RecursionError) as error:
        reason = " ".join(str(error).split())[:200]
        raise CueError(f"{file}: is not valid TOML ({reason}); mend that line") from error
    except OSError as error:
        raise CueError(f"{file}: cannot be read ({error.strerror})") from error


def _renamed(values: dict[str, Any], inside: str = "") -> dict[str, Any]:
    """Give keys that earlier cue files use their names of today, where they are no free names."""
    found: dict[str, Any] = {}
    for key, value in values.items():
        new = EARLIER_KEYS.get(key, key) if inside not in FREE_NAMES else key
        if isinstance(value, dict):
            value = _renamed(value, key)
        elif isinstance(value, list):
            value = [_renamed(one, key) if isinstance(one, dict) else one for one in value]
        found[key if new in values else new] = value
    return found


def filled(table: Table, default: Record, limits: Mapping[str, Range]) -> Record:
    """Copy a record of numbers, flags and lists, with the values that a table gives.

    Parameters
    ----------
    table : Table
        Keys are fields of the record.
    default : dataclass instance
        Its values stand where the table is silent.
    limits : mapping
        Lowest and highest value of each field that may be given.

    Returns
    -------
    The same type as `default`.
    """
    given: dict[str, Any] = {}
    for field, span in limits.items():
        old = getattr(default, field)
        if isinstance(old, int) and not isinstance(old, bool):
            given[field] = table.whole(field, span, old)
        elif isinstance(old, tuple) or old is None:
            values = table.numbers(field, span)
            given[field] = old if values is None else values
        else:
            given[field] = table.number(field, span, float(old))
    return dataclasses.replace(default, **given)  # type: ignore[type-var]


def nearest(word: str, known: Iterable[str]) -> str:
    """Suggest the nearest known word, or list some: text to end a message with."""
    words = sorted(known)
    folded = {one.casefold(): one for one in words}
    found = difflib.get_close_matches(word.casefold(), list(folded), n=1, cutoff=0.55)
    if found:
        return f"; did you mean {folded[found[0]]}?"
    listed = ", ".join(words[:40]) + (", ..." if len(words) > 40 else "")
    return f"; allowed: {listed}" if words else "; take it out"


def shown(value: object) -> str:
    """Write a TOML value for a message: one line, shortened."""
    text = {True: "true", False: "false"}.get(value) if isinstance(value, bool) else repr(value)
    text = str(text)
    return text if len(text) <= 80 else text[:77] + "..."


def shown_key(key: str) -> str:
    """Write a key for a message: in quotes where it is no plain word."""
    return key if key.isidentifier() and len(key) <= 80 else shown(key)


def _span(limits: Range) -> str:
    return f"{limits[0]:g} to {limits[1]:g}"
