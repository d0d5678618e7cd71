"""Draws the README's picture from a run of the demo: `python demo/picture.py RUN`.

*Conventions*: one SVG file with the report's plan and its chart of depth against side, in the
report's light colours.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from placer.result.figures import figures
from placer.result.folder import open_run

COLOURS = {"ink": "#1d2730", "faint": "#5c6a75", "line": "#c3ccd3", "paper": "#fff"}
AFTER = "#8a4b00"


def picture(run: Path) -> str:
    """Plan and depth chart of a run's best mix side by side, as one SVG document."""
    result = open_run(run).read_result()
    drawn = list(figures(result, result["mixes"][0]).values())[:2]
    style = (Path(__file__).parent.parent / "placer/result/figures.css").read_text()
    for name, colour in (*COLOURS.items(), ("after", AFTER)):
        style = style.replace(f"var(--{name})", colour)
    placed = []
    for number, svg in enumerate(drawn):
        placed.append(svg.replace("<svg ", f'<svg x="{number * 380}" width="360" height="480" ', 1))
    body = re.sub(r"\n\s*", "", "".join(placed))
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 760 500" width="760" height="500">'
        f'<rect width="760" height="500" fill="#fff"/><style>{style}</style>{body}</svg>\n'
    )


if __name__ == "__main__":
    target = Path(__file__).parent / "result.svg"
    target.write_text(picture(Path(sys.argv[1])), encoding="utf-8")
    print(target)
