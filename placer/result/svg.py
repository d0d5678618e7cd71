"""How a picture becomes an SVG string: escaped, labelled for screen readers, coloured by the page.

*Conventions*: lengths in user units, y downwards; a picture is at most `WIDTH` wide and scales with
the page. Colours and fonts come from the classes in figures.css, so light and dark need no second
picture. Nothing but text and numbers enters, and every text is escaped.

`tag`, `text`, `picture`: elements. `Scale`: data to user units. `ticks`: round numbers on an axis.

Sources
-------
W3C Scalable Vector Graphics 1.1, section 5.4 (title and desc); WAI-ARIA Graphics roles (img).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape

WIDTH = 360.0
"""Width of every picture in user units: one a pixel on the smallest screen the page is made for."""


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight line from data to user units.

    Attributes
    ----------
    low, high : ends of the data, which must differ
    start, end : where they are drawn; end may be smaller (an axis that grows upwards)
    """

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Where a value is drawn, held inside the axis."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + min(1.0, max(0.0, share)) * (self.end - self.start)


def number(value: float) -> str:
    """A coordinate short enough for a file and exact enough for the eye.

    Examples
    --------
    >>> number(1.0), number(2.346), number(-0.001)
    ('1', '2.35', '0')
    """
    return f"{round(value, 2) + 0.0:g}"


def tag(name: str, *children: str, **attributes: str | float) -> str:
    """One element; children are SVG already, attributes are escaped here.

    A trailing underscore is dropped and others become hyphens: class_, stroke_width.

    Examples
    --------
    >>> tag("circle", cx=1.5, class_="a<b")
    '<circle cx="1.5" class="a&lt;b"/>'
    """
    written = "".join(
        f" {key.rstrip('_').replace('_', '-')}="
        f'"{escape(value) if isinstance(value, str) else number(value)}"'
        for key, value in attributes.items()
    )
    inner = "".join(children)
    return f"<{name}{written}>{inner}</{name}>" if inner else f"<{name}{written}/>"


def text(x: float, y: float, content: str, **attributes: str | float) -> str:
    """A line of text, escaped."""
    return tag("text", escape(content), x=x, y=y, **attributes)


def title(content: str) -> str:
    """The name of an element, which a pointer resting on it shows."""
    return tag("title", escape(content))


def line(x1: float, y1: float, x2: float, y2: float, **attributes: str | float) -> str:
    """A straight line."""
    return tag("line", x1=x1, y1=y1, x2=x2, y2=y2, **attributes)


def path(points: list[tuple[float, float]], **attributes: str | float) -> str:
    """An open line through points."""
    moves = "L".join(f"{number(x)} {number(y)}" for x, y in points)
    return tag("path", d=f"M{moves}", **attributes)


def picture(key: str, height: float, *children: str, name: str, description: str) -> str:
    """Put a whole picture together: a name and a description for those who cannot see it.

    Parameters
    ----------
    key : str
        Unique within the page.
    height : float
        In user units; the width is `WIDTH`.
    *children : str
        SVG.
    name, description : str
        What it shows, in words.
    """
    return tag(
        "svg",
        tag("title", escape(name), id=f"{key}-name"),
        tag("desc", escape(description), id=f"{key}-about"),
        *children,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {number(WIDTH)} {number(height)}",
        role="img",
        class_="figure",
        aria_labelledby=f"{key}-name {key}-about",
    )


MANY = 24
"""Names that are written in one picture: those that move first, then the foreground."""


def ticks(low: float, high: float, wanted: int = 6) -> list[float]:
    """Round numbers within an interval, about as many as wanted.

    Examples
    --------
    >>> ticks(-13.0, 21.0, 5)
    [-10.0, 0.0, 10.0, 20.0]
    """
    rough = max(high - low, 1e-9) / max(1, wanted - 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(
        power * factor for factor in (1.0, 2.0, 5.0, 10.0) if power * factor >= rough * 0.99
    )
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(index * step, 9) + 0.0 for index in range(first, last + 1)]


def axes(
    across: Scale,
    up: Scale,
    *,
    x_name: str,
    y_name: str,
    x_ticks: list[tuple[float, str]],
    y_ticks: list[tuple[float, str]],
) -> str:
    """Frame, grid, numbers and names of two axes."""
    left, right = sorted((across.start, across.end))
    top, bottom = sorted((up.start, up.end))
    parts = [
        tag("rect", x=left, y=top, width=right - left, height=bottom - top, class_="frame"),
        text((left + right) / 2, bottom + 30, x_name, class_="axis", text_anchor="middle"),
        text(left - 30, top - 8, y_name, class_="axis"),
    ]
    for value, label in x_ticks:
        x = across(value)
        parts.append(line(x, top, x, bottom, class_="grid"))
        parts.append(text(x, bottom + 14, label, class_="tick", text_anchor="middle"))
    for value, label in y_ticks:
        y = up(value)
        parts.append(line(left, y, right, y, class_="grid"))
        parts.append(text(left - 4, y + 3.5, label, class_="tick", text_anchor="end"))
    return "".join(parts)
