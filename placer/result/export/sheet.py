"""The actions of an export on paper and as text, in the words of its read-me.

*Conventions*: the actions stand in their order; what stays as it is comes last. A path of few moves
fits on one page.

`printable`: one HTML file without anything from elsewhere, made to be printed on A4 or Letter in
black on white, with a box to tick for each action. `readable`: the same as Markdown.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from placer.result.export.actions import ORDER, Action, labelled
from placer.result.facts import changes, mix_label, mix_of, still_words
from placer.result.model import Mix, Result
from placer.result.moves_sheet import markdown_text, reference_words, whole_lines
from placer.result.page import asset
from placer.result.path_words import working_order
from placer.result.words import mix_words


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
    title = escape(f"{result.cue.name}, {mix_label(mix)}")
    parts = [mix.words or mix_words(result, mix), f"{reference_words(result)} {ORDER}"]
    parts = [f"<p>{escape(one)}</p>" for one in parts]
    for action in actions:
        items = [
            f"<li>{f'<b>{escape(label)}</b>: ' if label else ''}{escape(words)}</li>"
            for label, words in _items(result, mix, action)
        ]
        head = f"<span>&#9744;</span> {action.title}. {escape(action.name)}"
        parts.append(f"<h2>{head}</h2><ul>{''.join(items)}</ul>")
    parts += [f"<p>{escape(one)}</p>" for one in _still(result, mix)]
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f"<style>{asset('sheet.css')}</style></head><body><h1>{title}</h1>{''.join(parts)}"
        "</body></html>\n"
    )


def readable(result: Result, rank: int, actions: Sequence[Action]) -> str:
    """Write the actions as Markdown.

    Parameters
    ----------
    result : Result
    rank : int
        Which mix.
    actions : sequence of Action
        How it is made.
    """
    mix = mix_of(result, rank)
    lines = [f"# {markdown_text(result.cue.name)}, {mix_label(mix)}", ""]
    lines += [markdown_text(mix.words or mix_words(result, mix)), "", *whole_lines(result, mix)]
    lines += ["", f"{reference_words(result)} {ORDER}"]
    for action in actions:
        lines += ["", f"## {action.title}. {markdown_text(action.name)}", ""]
        for label, words in _items(result, mix, action):
            head = f"**{markdown_text(label)}**: " if label else ""
            lines.append(f"- {head}{markdown_text(words)}")
    still = [line for one in _still(result, mix) for line in ("", markdown_text(one))]
    return "\n".join([*lines, *still, ""])


def _items(result: Result, mix: Mix, action: Action) -> list[tuple[str, str]]:
    """Lines of an action: the number and name of a track where several move, and what to do."""
    tracks = labelled(result, mix, action)
    items = [("", one) for one in action.words]
    if action.alone:
        items += [("", one) for one in tracks[0][1]]
    elif action.step:
        items += [(label, " ".join(told)) for label, told in tracks]
    elif tracks:
        items.append(("", " ".join(f"{label}: {told[0]}." for label, told in tracks)))
    return [*items, *(("", one) for one in action.end)]


def _still(result: Result, mix: Mix) -> list[str]:
    """Tracks that do not move, in one sentence; nothing where all do."""
    still = [
        still_words(before, after)
        for _, before, after in working_order(result, mix)
        if not changes(before, after)
    ]
    return [f"Left as they are: {', '.join(still)}."] * bool(still)
