"""The sheets of moves as they are exported: on paper and as text, with the numbered actions.

*Conventions*: the actions come first: the reference is set up, then move follows move.

`printable`: one HTML file without anything from elsewhere, made to be printed on A4 or Letter in
black on white: a table an action, a box to tick for each track. `readable`: the same as Markdown.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape

from placer.result.export.actions import Action, labelled
from placer.result.facts import LEFT_OUT, changes, mix_label, mix_of, pairs, still_words
from placer.result.model import Mix, Result
from placer.result.moves_sheet import (
    GROUPS,
    markdown_text,
    measured_of,
    moves_markdown,
    reference_words,
)
from placer.result.page import asset
from placer.result.path_words import track_numbers, working_order
from placer.result.words import mix_words, move_words

TITLE = "How to make the moves, one after another"


def printable(result: Result, rank: int, actions: Sequence[Action]) -> str:
    """Build the page for printing.

    Parameters
    ----------
    result : Result
    rank : int
        Which mix.
    actions : sequence of Action
        How it is made.
    """
    mix = mix_of(result, rank)
    numbers = track_numbers(result, mix)
    parts = [_action(result, mix, number, one) for number, one in enumerate(actions, 1)]
    still = [
        f"{numbers[track.name]} {still_words(before, after)}"
        for track, before, after in working_order(result, mix)
        if not changes(before, after)
    ]
    title = escape(f"{result.cue.name}, {mix_label(mix)}")
    words = escape(mix.words or mix_words(result, mix))
    end = f"<p>Left as they are: {escape(', '.join(still))}.</p>" if still else ""
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f"<style>{asset('sheet.css')}</style></head><body><h1>{title}</h1><p>{words}</p>"
        f"<p>{escape(reference_words(result))}</p>{''.join(parts)}{end}"
        f"<p>{escape(LEFT_OUT)}</p></body></html>\n"
    )


def readable(result: Result, rank: int, actions: Sequence[Action]) -> str:
    """Write the sheet of moves as Markdown, the actions after its title.

    Parameters
    ----------
    result : Result
    rank : int
        Which mix.
    actions : sequence of Action
        How it is made.
    """
    title, rest = moves_markdown(result, rank).split("\n", 1)
    mix = mix_of(result, rank)
    lines = [title, "", f"## {TITLE}", ""]
    for number, action in enumerate(actions, 1):
        indent = " " * (len(str(number)) + 2)
        lines.append(f"{number}. **{action.title}.** {markdown_text(action.words)}")
        for label, told in labelled(result, mix, action):
            lines.append(f"{indent}- {markdown_text(label)}")
            lines += [f"{indent}  - {_code(line)}" for line in told]
    return "\n".join([*lines, "", "## The moves", rest])


def _action(result: Result, mix: Mix, number: int, action: Action) -> str:
    """One action with a table of its tracks."""
    known = {after.name: (before, after) for _, before, after in pairs(result, mix)}
    rows = []
    for (name, _), (label, told) in zip(action.tracks, labelled(result, mix, action), strict=True):
        words = move_words(*known[name]) if action.step else ""
        measured = [one.line for one in measured_of(result, *known[name])] if action.step else []
        rows.append(_row(label, words, told, measured))
    table = f"<table><tbody>{''.join(rows)}</tbody></table>" if rows else ""
    return f"<h2>{number}. {escape(action.title)}</h2><p>{escape(action.words)}</p>{table}"


def _row(name: str, words: str, told: Sequence[str], measured: Sequence[str]) -> str:
    """One track with its box to tick."""
    head = f"<p>{escape(words)}</p>" if words else ""
    items, heard = (
        "".join(f"<li>{escape(one)}</li>" for one in lines) for lines in (told, measured)
    )
    after = f"<p class=group>{GROUPS[-1]}</p><ul class=short>{heard}</ul>" if heard else ""
    return (
        f"<tr><td class=box>&#9744;</td><th scope=row>{escape(name)}</th>"
        f"<td>{head}<ul>{items}</ul>{after}</td></tr>"
    )


def _code(text: str) -> str:
    """Text as a code span of Markdown, whatever signs it holds (CommonMark 0.31, section 6.1)."""
    fence = "`" * (1 + max((len(run) for run in re.findall("`+", text)), default=0))
    space = " " if "`" in text else ""
    return f"{fence}{space}{text}{space}{fence}"
