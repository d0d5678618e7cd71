"""Which names a cue and its tracks may have: they become file names on any system.

*Conventions*: names are Unicode in composed form (NFC); two names that differ only in case are one.

Sources
-------
Characters and device names that common file systems refuse: Microsoft, Naming Files, Paths, and
Namespaces; POSIX.1-2017 (slash and NUL). 255 bytes a name: the limit of most file systems.
"""

from __future__ import annotations

import unicodedata

FORBIDDEN = '<>:"/\\|?*'
DEVICES = {"con", "prn", "aux", "nul", "conin$", "conout$"} | {
    f"{port}{number}" for port in ("com", "lpt") for number in "123456789¹²³"
}
LONGEST_BYTES = 120
"""Leaves room for numbers and endings within 255 bytes."""


def name_problem(name: str) -> str:
    """Tell why a name cannot be a file name; "" if it can."""
    if not name.strip() or name != name.strip():
        return "is empty or begins or ends with a space; take the spaces away"
    if not name.isprintable():
        return "holds characters that cannot be printed; write it with letters and digits"
    if any(sign in FORBIDDEN for sign in name):
        return f"holds one of {' '.join(FORBIDDEN)} and becomes a file name; use - or _ instead"
    if name.startswith(".") or name.endswith("."):
        return "begins or ends with a full stop and becomes a file name; take it away"
    if name.split(".")[0].strip().casefold() in DEVICES:
        return "is the name of a device on some systems; choose another"
    if len(unicodedata.normalize("NFC", name).encode("utf-8", "replace")) > LONGEST_BYTES:
        return f"is longer than {LONGEST_BYTES} bytes and becomes a file name; shorten it"
    return ""


def same_name(name: str) -> str:
    """Give the form under which two names count as one.

    Examples
    --------
    >>> same_name("Celli") == same_name("CELLI")
    True
    """
    return unicodedata.normalize("NFC", unicodedata.normalize("NFKC", name).casefold())


def made_safe(text: str) -> str:
    """Turn any text into a name that `name_problem` accepts.

    Examples
    --------
    >>> made_safe("../Vln 1: long?")
    'Vln 1- long'
    """
    kept = "".join(c if c.isprintable() and c not in FORBIDDEN else "-" for c in text)
    short = unicodedata.normalize("NFC", kept).strip(" .-").encode("utf-8")[:LONGEST_BYTES]
    name = short.decode("utf-8", "ignore").strip(" .-")
    return name if not name_problem(name) else f"track {name}".strip()
