"""Names in the pictures as a real browser measures them."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

from placer.result.figures import figures
from placer.result.page import asset
from tests.placer.pictured import twelve_tracks

BOXES = """return [...document.querySelectorAll('svg')].map(svg =>
  [...svg.querySelectorAll('text')].filter(t => t.textContent).map(t => {
    const b = t.getBBox();
    return [t.textContent, b.x, b.y + .12 * b.height, b.x + b.width, b.y + .88 * b.height];
  }))"""


def test_no_name_lies_on_another_in_a_browser(chromium: Any, tmp_path: Path) -> None:
    """Twelve tracks that all move: boxes as Chromium draws them, fonts and weights included."""
    result = twelve_tracks(moved=12)
    drawn = figures(result, result.mixes[0]).values()
    page = tmp_path / "pictures.html"
    style = asset("page.css") + asset("figures.css")
    page.write_text(f"<meta charset=utf-8><style>{style}</style>{''.join(drawn)}", encoding="utf-8")
    chromium.get(page.as_uri())
    found = chromium.execute_script(BOXES)
    assert len(found) == 4
    for boxes in found:
        assert len(boxes) > 8
        for (one, *a), (other, *b) in itertools.combinations(boxes, 2):
            apart = a[0] >= b[2] or b[0] >= a[2] or a[1] >= b[3] or b[1] >= a[3]
            assert apart, f"{one} lies on {other}"
        assert all(left >= 0.0 and right <= 360.0 for _, left, _, right, _ in boxes)
