"""Where names go in a picture so that none lies on another or on a mark.

*Conventions*: user units, y downwards; a box is (left, top, right, bottom).

`Labels`: finds places and draws. `text_width`: how wide a text may get. `shortened`: of a name.

Sources
-------
Advance widths rounded up from those of DejaVu Sans, one of the widest common screen fonts; a page
that draws the text in a narrower one leaves more room (measured in a browser, from memory).
"""

from __future__ import annotations

import math

from placer.result.svg import line, tag, text

Box = tuple[float, float, float, float]

TEXT_SIZE = 12.0
"""Size of a name, user units: readable where the picture is 360 wide."""

LONGEST = 18
"""Letters of a name in a picture."""

NARROW, WIDE = "iljtfrI.,:;'|!()[] ", "mwMW%@"
WIDTHS = {"narrow": 0.42, "wide": 0.98, "capital": 0.76, "usual": 0.64}
"""Of a letter, in sizes of the text."""

BOLD = 1.14
"""How much wider heavy letters are."""

TURNS = (0, 180, 35, -35, 145, -145, 90, -90, 60, -60, 120, -120)
"""Ways from a mark to its name, degrees, the best first."""

AWAY = (3.0, 10.0, 20.0, 32.0, 46.0, 62.0)
"""Distances between a mark and its name."""

LEADER = 8.0
"""Distance from which on a thin line joins both."""


def shortened(name: str) -> str:
    """A name as long as a picture can take.

    Examples
    --------
    >>> shortened("low strings, second desk")
    'low strings, seco…'
    """
    return name if len(name) <= LONGEST else f"{name[: LONGEST - 1].rstrip()}…"


def text_width(content: str, size: float = TEXT_SIZE) -> float:
    """The most room that a line of text may take, user units."""

    def width(letter: str) -> float:
        if letter in NARROW:
            return WIDTHS["narrow"]
        if letter in WIDE:
            return WIDTHS["wide"]
        return WIDTHS["capital" if letter.isupper() else "usual"]

    return size * sum(map(width, content))


def touching(one: Box, other: Box) -> bool:
    """Whether two boxes share a point inside."""
    return (
        one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]
    )  # fmt: skip


class Labels:
    """Names of marks within a frame.

    Parameters
    ----------
    frame : Box
        Nothing is written outside.
    """

    def __init__(self, frame: Box) -> None:
        self._frame = frame
        self._taken: list[Box] = []
        self.left_out = 0

    def keep_free(self, box: Box) -> None:
        """No name goes there."""
        self._taken.append(box)

    def keep_mark_free(self, at: tuple[float, float], radius: float) -> None:
        """No name goes onto a mark."""
        self.keep_free((at[0] - radius, at[1] - radius, at[0] + radius, at[1] + radius))

    def keep_line_free(self, a: tuple[float, float], b: tuple[float, float]) -> None:
        """No name goes onto a line."""
        pieces = max(1, math.ceil(math.dist(a, b) / 6.0))
        for index in range(pieces + 1):
            share = index / pieces
            at = a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])
            self.keep_mark_free(at, 1.5)

    def name(self, content: str, at: tuple[float, float], radius: float, *, class_: str) -> str:
        """Write a name beside a mark as SVG; "" where there is no room left, which is counted."""
        shown = shortened(content)
        bold = BOLD if "moved" in class_ else 1.0
        width, height = bold * text_width(shown) + 2.0, TEXT_SIZE * 1.2
        for away in AWAY:
            for turn in TURNS:
                angle = math.radians(turn)
                way = math.cos(angle), math.sin(angle)
                reach = radius + away
                x = at[0] + reach * way[0] + (way[0] - 1.0) * width / 2.0
                y = at[1] + reach * way[1] + (way[1] - 1.0) * height / 2.0
                box = (x, y, x + width, y + height)
                if self._fits(box):
                    self._taken.append(box)
                    end = at[0] + (reach - 1.0) * way[0], at[1] + (reach - 1.0) * way[1]
                    joined = ""
                    if away > LEADER:
                        joined = line(*at, *end, class_="leader")
                        self.keep_line_free(at, end)
                    words = text(x + 1.0, y + 0.85 * height, shown, class_=class_)
                    return joined + words
        self.left_out += 1
        return ""

    def _fits(self, box: Box) -> bool:
        left, top, right, bottom = self._frame
        inside = left <= box[0] and top <= box[1] and box[2] <= right and box[3] <= bottom
        return inside and not any(touching(box, other) for other in self._taken)


def lines_of(content: list[str], x: float, y: float, *, class_: str) -> str:
    """Lines of text under one another; `y` is the base line of the first."""
    return tag(
        "g", *(text(x, y + 14.0 * index, one, class_=class_) for index, one in enumerate(content))
    )
