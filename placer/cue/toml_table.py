"""How one TOML table is read: each value checked once, each mistake told in one line.

A message names the file, the key with the value given, what is allowed and what to try. A key that
was never asked for is an error, with the nearest key that was.

*Conventions*: msgspec converts and checks; kinds and ranges stand at the fields of the records.
Numbers are finite, true is no number, text holds no control characters.

`load`: a TOML file as a `Table`. `Table`: its values. `filled`: a record with what a table says.
"""

from __future__ import annotations

import dataclasses
import difflib
import tomllib
from collections.abc import Collection, Iterable
from pathlib import Path
from typing import Any, TypeVar, get_type_hints

from msgspec import ValidationError, convert
from msgspec.inspect import (
    BoolType,
    FloatType,
    IntType,
    StrType,
    TupleType,
    Type,
    UnionType,
    VarTupleType,
    type_info,
)

from placer.cue.mistakes import explained
from placer.cue.records import Text
from placer.errors import CueError

LARGEST_FILE = 4 * 1024**2
"""Bytes; a cue file is kilobytes, so more is a wrong file."""
EARLIER_KEYS = {"ambient": "hall", "ambient_distance": "hall_distance"}
"""Names of the hall position and of its distance that are still read."""
FREE_NAMES = ("section", "role")
"""Tables whose keys the composer chooses."""
Record = TypeVar("Record")


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

    def get(
        self, key: str, kind: Any, default: Any = ..., *, allowed: Collection[str] | None = None
    ) -> Any:
        """Read a value of one kind; without a default it must be given.

        Parameters
        ----------
        key : str
            Its name in this table.
        kind : type
            What msgspec makes of it, with its range; a record is a table within this one.
        default
            What stands where the key is not given; of a record, where its keys are not.
        allowed : collection of str, optional
            The words that a text or a list may hold.
        """
        if key not in self:
            if default is ...:
                raise self.error(key, "is missing; give a {}: {}".format(*_kind(type_info(kind))))
            return default
        if dataclasses.is_dataclass(kind):
            return filled(self.table(key), kind, default)  # type: ignore[arg-type]
        try:
            found = convert(self._values[key], kind)
        except ValidationError as error:
            raise self.error(key, _refusal(type_info(kind), str(error), allowed)) from None
        words = found if isinstance(found, tuple) else (found,)
        for word in words:
            if isinstance(word, str) and not word.isprintable():
                raise self.error(key, _refusal(type_info(Text), "", None))
            if allowed is not None and word not in allowed:
                which = "" if word is found else f"{shown(word)} "
                raise self.error(key, f"{which}is not known{nearest(word, allowed)}")
        if kind == tuple[str, ...] and len(set(words)) < len(words):
            raise self.error(key, "names one word twice; keep one of them")
        return found

    def given(self, record: type, *keys: str) -> dict[str, Any]:
        """Read those keys that are given, each of the kind that the record's field has."""
        kinds = get_type_hints(record, include_extras=True)
        return {key: self.get(key, kinds[key]) for key in keys if key in self}

    def value(self, key: str) -> Any:
        """Give a value as it stands, for whoever judges it; it must be given."""
        if key not in self:
            raise self.error(key, "is missing")
        return self._values[key]

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


def filled(table: Table, kind: type[Record], default: Record | None = None, **read: Any) -> Record:
    """Make a record of what a table says, and refuse keys that the record does not have.

    Parameters
    ----------
    table : Table
        Keys are fields of the record.
    kind : dataclass
        Its defaults stand where the table is silent; a field without one must be given.
    default : instance of it, optional
        Whose values stand there instead.
    **read
        Fields whose values were read apart.
    """
    kinds = get_type_hints(kind, include_extras=True)
    values = {}
    for field in dataclasses.fields(kind):  # type: ignore[arg-type]
        name = field.name
        old = field.default if default is None else getattr(default, name)
        if name in read:
            values[name] = read[name]
        elif name in table or old is dataclasses.MISSING:
            values[name] = table.get(name, kinds[name], ... if old is dataclasses.MISSING else old)
        elif default is not None:
            values[name] = old
    table.close()
    return kind(**values)


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


def _kind(info: Type) -> tuple[str, str]:
    """Name a kind of value, and what it may be."""
    match info:
        case UnionType():  # of a kind and None
            return _kind(info.types[0])
        case BoolType():
            return "flag", "true or false, without quotes"
        case IntType() | FloatType():
            whole = "whole " if isinstance(info, IntType) else ""
            return f"{whole}number", f"{info.ge:g} to {info.le:g}, without quotes or unit"
        case VarTupleType(item_type=StrType()):
            return "list of words", 'words in quotes, ["one", "two"]'
        case VarTupleType():
            return "list of numbers", f"[...], each {_kind(info.item_type)[1]}"
        case TupleType():
            many = len(info.item_types)
            return f"list of {many} numbers", f"[...], each {_kind(info.item_types[0])[1]}"
        case _:
            return "text", "1 to 1000 characters in quotes, without control characters"


def _refusal(info: Type, reason: str, words: Collection[str] | None) -> str:
    """Say why msgspec refuses a value, what is allowed and what to try."""
    name, allowed = _kind(info)
    if name == "flag":
        return "is neither true nor false; write one of them without quotes"
    if name == "text" and ", got " not in reason:
        return "is empty, longer than 1000 characters or holds control characters"
    if words:
        allowed = ", ".join(words)
    problem = f"is no {name}" if ", got " in reason else "is out of range"
    return f"{problem}; allowed: {allowed}"
