"""The sheets of moves as they are exported: on paper and as text, with what dry stems load.

*Conventions*: what dry stems load comes first, because no other move can be made before it.

`printable`: one HTML file without anything from elsewhere, made to be printed on A4 or Letter in
black on white: one table, a box to tick for each track. `readable`: the same as Markdown.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape

from placer.result.export.loading import ALREADY, HOW, Load, load_lines
from placer.result.facts import LEFT_OUT, changes, mix_label, mix_of, still_words
from placer.result.model import Result
from placer.result.moves_sheet import moves_markdown, reference_words, track_lines
from placer.result.page import asset
from placer.result.path_words import track_numbers, working_order
from placer.result.words import mix_words, move_words

TITLE = "Dry stems: which response to load, and its fader"


def printable(result: Result, rank: int, found: Sequence[Load] = ()) -> str:
    """Build the page for printing.

    Parameters
    ----------
    result : Result
    rank : int
        Which mix.
    found : sequence of Load
        What dry tracks load.
    """
    mix = mix_of(result, rank)
    numbers = track_numbers(result, mix)
    rows, still = [], []
    for track, before, after in working_order(result, mix):
        number = numbers[track.name]
        if not changes(before, after):
            still.append(f"{number} {still_words(before, after)}")
            continue
        lines = "".join(f"<li>{escape(line)}</li>" for line in track_lines(result, before, after))
        rows.append(_row(f"{number} {track.name}", move_words(before, after), lines))
    title = escape(f"{result.cue.name}, {mix_label(mix)}")
    words = escape(mix.words or mix_words(result, mix))
    end = f"<p>Left as they are: {escape(', '.join(still))}.</p>" if still else ""
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f"<style>{asset('sheet.css')}</style></head><body><h1>{title}</h1><p>{words}</p>"
        f"{_loading(found, numbers)}<p>{escape(reference_words(result))}</p>"
        f"<table><tbody>{''.join(rows)}</tbody></table>{end}"
        f"<p>{escape(LEFT_OUT)}</p></body></html>\n"
    )


def readable(result: Result, rank: int, found: Sequence[Load] = ()) -> str:
    """Write the sheet of moves as Markdown, what dry tracks load after its title.

    Parameters
    ----------
    result : Result
    rank : int
        Which mix.
    found : sequence of Load
        What dry tracks load.
    """
    title, rest = moves_markdown(result, rank).split("\n", 1)
    if not found:
        return f"{title}\n{rest}"
    lines = [title, "", f"## {TITLE}", "", HOW, ""]
    numbers = track_numbers(result, mix_of(result, rank))
    for load in found:
        lines += [f"- {numbers[load.name]} {_code(line)}" for line in load_lines(load)[:1]]
        lines += [f"  - {_code(line)}" for line in load_lines(load)[1:]]
    return "\n".join([*lines, "", "## The moves", "", ALREADY, rest])


def _loading(found: Sequence[Load], numbers: dict[str, str]) -> str:
    """The table of what dry tracks load."""
    if not found:
        return ""
    rows = []
    for load in found:
        whole, positions = load_lines(load)
        name = f"{numbers[load.name]} {load.name}"
        rows.append(_row(name, whole, f"<li>{escape(positions)}</li>"))
    return (
        f"<h2>{escape(TITLE)}</h2><p>{escape(HOW)}</p><table><tbody>{''.join(rows)}</tbody></table>"
        f"<h2>The moves</h2><p>{escape(ALREADY)}</p>"
    )


def _row(name: str, words: str, items: str) -> str:
    """One track with its box to tick."""
    return (
        f"<tr><td class=box>&#9744;</td><th scope=row>{escape(name)}</th>"
        f"<td><p>{escape(words)}</p><ul>{items}</ul></td></tr>"
    )


def _code(text: str) -> str:
    """Text as a code span of Markdown, whatever signs it holds (CommonMark 0.31, section 6.1)."""
    fence = "`" * (1 + max((len(run) for run in re.findall("`+", text)), default=0))
    space = " " if "`" in text else ""
    return f"{fence}{space}{text}{space}{fence}"
