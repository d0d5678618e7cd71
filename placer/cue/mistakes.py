"""Where a file stops being TOML, shown so that it can be mended: the line, and what it may lack.

*Conventions*: lines count from 1.

`explained`: a message for a person from the parser's own.

Sources
-------
TOML 1.0.0: strings end on their line, values of a list or an inline table have commas between them.
"""

from __future__ import annotations

import re

AT = re.compile(r"\(at (?:line (\d+), column (\d+)|end of document)\)$")
LONGEST_LINE = 100
"""Characters of a line that are shown."""
CURLY = "\u201c\u201d\u201e\u2018\u2019\u201a\u00ab\u00bb"
OPENED = re.compile(r"^[^=#]*=\s*(\[|\{|\"\"\"|''')")
VALUE = re.compile(r"[\w.+-]+|\"[^\"]*\"|'[^']*'|\[[^\]]*\]|\{[^}]*\}")


def explained(text: str, reason: str) -> str:
    r"""Say in words where and why a text is not valid TOML.

    Parameters
    ----------
    text : str
        The whole file.
    reason : str
        What the parser says, with "(at line L, column C)" or "(at end of document)" at its end.

    Returns
    -------
    str
        One line: the line's number, its text and what is probably missing.

    Examples
    --------
    >>> explained('a = "x', "Illegal character (at line 1, column 7)")
    'line 1, a = "x: a quote is missing at the end of the text'
    """
    lines = text.splitlines() or [""]
    found = AT.search(reason)
    if found is None:
        return reason
    if found[1] is None:
        number, column = _opening(lines), None
    else:
        number, column = min(int(found[1]), len(lines)), int(found[2]) - 1
    line = lines[number - 1]
    words = _words(lines, number, column, reason[: found.start()].strip())
    return f"line {number}, {_shown(line)}: {words}"


def _opening(lines: list[str]) -> int:
    """The last line that opens a list, a table or a long text: what the end of the file misses."""
    opened = [number for number, line in enumerate(lines, 1) if OPENED.match(line)]
    sounding = [number for number, line in enumerate(lines, 1) if line.strip()]
    return (opened or sounding or [1])[-1]


def _words(lines: list[str], number: int, column: int | None, reason: str) -> str:
    """What is probably missing in a line, by what the parser says and what stands there."""
    line = lines[number - 1]
    if any(sign in line for sign in CURLY):
        return "curly quotes, as word processors write them; write straight ones"
    if reason.startswith("Unescaped"):
        return r"a backslash; write / in paths, or the text in single quotes: 'C:\stems\a.wav'"
    if reason.startswith(("Illegal character", "Unterminated string", "Expected \"'")):
        return "a quote is missing at the end of the text"
    if reason.startswith(("Unclosed array", "Unclosed inline table")):
        return _unclosed(lines, number, column, reason)
    if "Expected ']" in reason:
        heading = "[[track]]" if line.lstrip().startswith("[[") else "[cue]"
        return f"a closing bracket is missing; a heading looks like {heading}"
    if "Expected '='" in reason:
        return "an equals sign is missing after the key; write key = value"
    if reason.startswith("Invalid value"):
        return _invalid(lines[number - 1], column)
    if reason.startswith("Expected newline"):
        return _behind(line, column or 0)
    if reason.startswith(("Cannot overwrite", "Cannot declare")) or "already exists" in reason:
        return "this is given twice; keep one of them"
    return f"{reason[:1].lower()}{reason[1:]}; mend that line"


def _unclosed(lines: list[str], number: int, column: int | None, reason: str) -> str:
    """A comma or a closing bracket, whichever the text behind the break asks for."""
    kind, closing = ("list", "]") if "array" in reason else ("table", "}")
    if column is None:
        return f"the {kind} that begins here is not closed; a {closing} is missing"
    rest, before = lines[number - 1][column:].strip(), lines[number - 1][:column].rstrip()
    another_key = re.match(r"[\w\"'.-]+\s*=", rest) is not None
    if rest and VALUE.match(rest) and (closing == "}" or not another_key):
        if before:
            return f"a comma is missing before {_shown(rest)}"
        return "a comma is missing at the end of the line before"
    return f"the {kind} before is not closed; a {closing} is missing"


def _invalid(line: str, column: int | None) -> str:
    """A value that is none: nothing, text without its first quote, or a key within a list."""
    rest = line[column or 0 :].strip()
    if not rest or line.rstrip().endswith("="):
        return "a value is missing after the equals sign"
    if column is None:
        return "the list or table that begins here is not closed; a ] or } is missing"
    if rest.startswith(("True", "False")):
        return "true and false are written small"
    if column == 0 and "=" in rest:
        return "the list or table before is not closed; a ] or } is missing"
    if '"' in rest or "'" in rest:
        return "a quote is missing at the beginning of the text"
    return 'is no value; text needs quotes around it: "..."'


def _behind(line: str, column: int) -> str:
    """What stands behind a whole value."""
    rest = line[column:].strip()
    if re.match(r",\d", rest):
        return "a number has a point, not a comma: 1.5"
    if rest.startswith(","):
        return f"several values need brackets around them: [ ... ]; or take out {_shown(rest)}"
    if rest.startswith(("m", "s", "dB", "%", "Hz")) and line[column - 1 : column].strip() == "":
        return "numbers are written without a unit"
    return f"{_shown(rest)} does not belong here; one key = value a line, and notes behind #"


def _shown(text: str) -> str:
    """A piece of a line, printable and shortened."""
    plain = "".join(sign if sign.isprintable() else " " for sign in text).strip()
    return plain if len(plain) <= LONGEST_LINE else plain[: LONGEST_LINE - 3] + "..."
