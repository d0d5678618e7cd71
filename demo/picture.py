"""Draws the README's picture from a run of the demo: `python demo/picture.py RUN`.

*Conventions*: one SVG file with the page's plan and its chart of depth against side under what
there is to see in them, in the page's light colours.
"""

from __future__ import annotations

import re
import sys
import textwrap
from html import escape
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from placer.result.figures import figures
from placer.result.folder import open_run

COLOURS = {"ink": "#1d2730", "faint": "#5c6a75", "line": "#c3ccd3", "paper": "#fff"}
AFTER = "#8a4b00"
CAPTION = 52
"""Height of three lines of a caption."""


def picture(run: Path) -> str:
    """Plan and depth chart of a run's best mix side by side, as one SVG document."""
    result = open_run(run).read_result()
    drawn = list(figures(result, result["mixes"][0]).items())[:2]
    style = (Path(__file__).parent.parent / "placer/result/figures.css").read_text()
    for name, colour in (*COLOURS.items(), ("after", AFTER)):
        style = style.replace(f"var(--{name})", colour)
    style += ".caption { font: 600 12px system-ui, sans-serif; fill: #1d2730; }"
    placed, heights = [], []
    for number, (caption, svg) in enumerate(drawn):
        for row, words in enumerate(textwrap.wrap(caption, 56)):
            placed.append(
                f'<text class="caption" x="{number * 380 + 6}" y="{16 + 15 * row}">'
                f"{escape(words)}</text>"
            )
        height = float(re.search(r'viewBox="0 0 \S+ (\S+)"', svg)[1])
        size = f'x="{number * 380}" y="{CAPTION}" width="360" height="{height:g}"'
        placed.append(svg.replace("<svg ", f"<svg {size} ", 1))
        heights.append(height)
    body = re.sub(r"\n\s*", "", "".join(placed))
    tall = f"{CAPTION + max(heights):g}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 740 {tall}" width="740" '
        f'height="{tall}"><rect width="740" height="{tall}" fill="#fff"/><style>{style}</style>'
        f"{body}</svg>\n"
    )


if __name__ == "__main__":
    target = Path(__file__).parent / "result.svg"
    target.write_text(picture(Path(sys.argv[1])), encoding="utf-8")
    print(target)
