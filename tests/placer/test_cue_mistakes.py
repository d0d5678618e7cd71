"""A cue file with a slip of the hand: the message shows the line and says what it lacks."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from placer.cue.mistakes import explained
from placer.cue.read import read_cue
from placer.errors import CueError

HEAD = '[cue]\nname = "Harbour (invented)"\n'
TRACK = "[[track]]\n"
SLIPS = {
    # text behind the head; the line that is shown, its number; what is missing
    "end quote": (TRACK + 'name = "low\nfile = "a.wav"\n', '4, name = "low', "quote .* at the end"),
    "first quote": (TRACK + 'name = low"\n', '4, name = low"', "quote .* at the beginning"),
    "no quotes": (TRACK + "file = stems/a.wav\n", "4, file = stems/a.wav", "text needs quotes"),
    "comma in a list": ('locks = ["seat" "pan"]\n', "3, locks", r'comma is missing before "pan"\]'),
    "comma between numbers": ("area = [-8.0, 8.0 1.0]\n", "3, area", r"comma .* before 1\.0\]"),
    "comma in a table": (
        'positions = { close = "a.wav" tree = "b.wav" }\n', "3, positions", "comma .* before tree ="
    ),
    "comma between lines": ('x = [\n"a",\n"b"\n"c"\n]\n', '6, "c"', "the end of the line before"),
    "bracket of a list": (
        "area = [1, 2\nseat = [1, 2]\n", r"4, seat = \[1, 2\]", "list before is not closed; a ]"
    ),
    "bracket at the end": ("area = [1, 2,\n", "3, area", "begins here is not closed; a ]"),
    "brace": ('blend = { close = 1\nname = "b"\n', "3, blend", "table before is not closed; a }"),
    "heading": ('[[track]\nname = "b"\n', "3, ", r"closing bracket is missing; .*\[\[track\]\]"),
    "equals": ('file "a.wav"\n', '3, file "a.wav"', "equals sign is missing after the key"),
    "two words": ("sample rate = 48000\n", "3, sample rate", "equals sign is missing"),
    "no value": ("sample_rate =\n", "3, sample_rate =", "value is missing after the equals sign"),
    "no value at the end": ("sample_rate =", "3, sample_rate =", "value is missing after the equa"),
    "unit": ("excerpt_length = 20 s\n", "3, excerpt_length", "written without a unit"),
    "decimal comma": ("excerpt_length = 20,5\n", "3, excerpt_length", "a point, not a comma"),
    "several values": ('locks = "a", "b"\n', "3, locks", "several values need brackets"),
    "backslash": ('file = "C:\\stems\\a.wav"\n', "3, file", "a backslash; write / in paths"),
    "curly quotes": ("file = \u201ca.wav\u201d\n", "3, file", "curly quotes"),
    "large true": ("fixed = True\n", "3, fixed = True", "true and false are written small"),
    "key twice": ('name = "again"\n', '3, name = "again"', "this is given twice; keep one"),
    "heading twice": ("[cue]\n", r"3, \[cue\]", "this is given twice"),
    "words behind": ('sample_rate = 48000 "fast"\n', "3, sample", '"fast" does not belong here'),
}  # fmt: skip


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_shows_its_line_and_what_is_missing(tmp_path: Path, slip: str) -> None:
    """File, line number, the line's own text, and in words what to mend."""
    text, line, missing = SLIPS[slip]
    path = tmp_path / "cue.toml"
    path.write_text(HEAD + text, encoding="utf-8")
    with pytest.raises(CueError, match=f"is not valid TOML: line {line}.*{missing}") as found:
        read_cue(path)
    told = str(found.value)
    assert told.startswith(f"{path}: ")
    assert "\n" not in told


@settings(max_examples=300, deadline=None)
@given(st.text(st.sampled_from(list("abc=[]{}\"', \n#.1\\\u201c")), max_size=60))
def test_whatever_is_wrong_can_be_said(text: str) -> None:
    """Any text that the parser refuses gives one printable line with a line number of the text."""
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        told = explained(text, str(error))
        found = re.match(r"line (\d+), ", told)
        assert found, told
        assert 1 <= int(found[1]) <= max(1, len(text.splitlines()))
        assert told.isprintable()
