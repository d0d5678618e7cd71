"""The sheet of moves on paper.

*Conventions*: one HTML file without anything from elsewhere, made to be printed on A4 or Letter in
black on white: one table, a box to tick for each track.

`printable`: the page.
"""

from __future__ import annotations

from html import escape

from placer.result.facts import LEFT_OUT, Facts, changes, mix_label, mix_of, still_words
from placer.result.moves_sheet import track_lines, working_order
from placer.result.page import asset
from placer.result.words import mix_words, move_words


def printable(result: Facts, rank: int) -> str:
    """Build the page for printing.

    Parameters
    ----------
    result : dict
        Contents of result.json.
    rank : int
        Which mix.
    """
    mix = mix_of(result, rank)
    rows, still = [], []
    for track, before, after in working_order(result, rank):
        if not changes(before, after):
            still.append(still_words(before, after))
            continue
        lines = "".join(f"<li>{escape(line)}</li>" for line in track_lines(result, before, after))
        rows.append(
            f"<tr><td class=box>&#9744;</td><th scope=row>{escape(track['name'])}</th>"
            f"<td><p>{escape(move_words(before, after))}</p><ul>{lines}</ul></td></tr>"
        )
    title = escape(f"{result['cue']['name']}: moves for {mix_label(mix)}")
    words = escape(mix.get("words") or mix_words(result, mix))
    end = f"<p>Left as they are: {escape(', '.join(still))}.</p>" if still else ""
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f"<style>{asset('sheet.css')}</style></head><body><h1>{title}</h1><p>{words}</p>"
        f"<table><tbody>{''.join(rows)}</tbody></table>{end}<p>{escape(LEFT_OUT)}</p></body></html>\n"
    )
