"""Where everybody sits: the plan of the room as a room acoustician draws it.

*Conventions*: drawn in metres from above, the back wall of the stage at the top, the hall below the
conductor; stage coordinates (conductor at the origin). Sources have the numbers of the mix's path:
a hollow ring where the reference has it, a filled dot where the mix has it, a line between.

`plan_view`: the picture.

Sources
-------
ISO 3382-1:2009, clause 9: a report gives a plan with the positions of sources and receivers.
"""

from __future__ import annotations

import math
from typing import Any

from placer.result.facts import SEAT_STEP, Facts, mix_name
from placer.result.path import track_numbers, working_order
from placer.result.svg import MANY, WIDTH, Scale, line, numbered, picture, tag, text, ticks, title

MARGIN = 26.0
WALL = 3.0


def plan_view(result: Facts, mix: Facts) -> str:
    """Plan of the room with microphones, and the seats of all dry tracks before and after.

    Parameters
    ----------
    result, mix : dict
        Contents of result.json and one of its mixes.

    Returns
    -------
    str
        SVG.
    """
    room = result["room"]
    x, y, height = _scales(room)
    inside = [_walls(room, x, y), _ruler(x, y), _microphones(result["arrays"], mix["shared"], x, y)]
    inside.append(_conductor(x, y))
    numbers = track_numbers(result, mix)
    seated = [
        (numbers[track["name"]], track["name"], before["seat"], after["seat"])
        for track, before, after in working_order(result, mix)
        if before["seat"] and after["seat"]
    ]
    inside += [_move(old, new, x, y) for _, _, old, new in seated]
    many = len(seated) > MANY
    for number, name, old, new in seated:
        inside.append(_source(number, name, old, new, x=x, y=y, many=many))
    moved = sum(math.dist(old, new) >= SEAT_STEP for _, _, old, new in seated)
    return picture(
        f"plan-{mix['rank']}",
        height,
        *inside,
        name=f"Plan of the room: reference and {mix_name(mix)}",
        description=(
            f"{room['width']:g} m wide, {room['depth']:g} m deep; {len(seated)} seated tracks, "
            f"of which {moved} move. Rings are the reference, dots the mix, squares microphones."
        ),
    )


def _scales(room: Facts) -> tuple[Scale, Scale, float]:
    """Scales of x and y with equal metres, and the height of the picture."""
    width, depth, behind = room["width"], room["depth"], room["conductor"]
    unit = (WIDTH - 2.0 * MARGIN) / width
    x = Scale(-width / 2.0, width / 2.0, MARGIN, WIDTH - MARGIN)
    y = Scale(-behind, depth - behind, MARGIN + unit * depth, MARGIN)
    return x, y, 2.0 * MARGIN + unit * depth + 10.0


def _walls(room: Facts, x: Scale, y: Scale) -> str:
    """Outer wall as a thick double line, the line of the conductor dashed."""
    top, bottom = y(y.high), y(y.low)
    outer = tag(
        "rect", x=x.start - WALL, y=top - WALL, width=x.end - x.start + 2 * WALL,
        height=bottom - top + 2 * WALL, class_="wall",
    )  # fmt: skip
    floor = tag(
        "rect", x=x.start, y=top, width=x.end - x.start, height=bottom - top, class_="floor"
    )
    words = text(x(0.0), bottom - 8, "hall", class_="place", text_anchor="middle")
    words += text(x(0.0), top + 13, "back of the stage", class_="place", text_anchor="middle")
    size = f"{room['width']:g} x {room['depth']:g} x {room['height']:g} m"
    words += text(x.end, bottom + 34, size, class_="tick", text_anchor="end")
    return outer + floor + line(x.start, y(0.0), x.end, y(0.0), class_="centre") + words


def _ruler(x: Scale, y: Scale) -> str:
    """Metres along two walls, and a grid of five metres."""
    parts = []
    bottom = y(y.low)
    for value in ticks(x.low, x.high, 7):
        parts.append(line(x(value), y(y.high), x(value), bottom, class_="grid"))
        parts.append(text(x(value), bottom + 16, f"{value:g}", class_="tick", text_anchor="middle"))
    for value in ticks(y.low, y.high, 8):
        parts.append(line(x.start, y(value), x.end, y(value), class_="grid"))
        parts.append(
            text(x.start - 7, y(value) + 3.5, f"{value:g}", class_="tick", text_anchor="end")
        )
    return "".join(parts) + text(x.start, bottom + 34, "metres", class_="tick")


def _microphones(arrays: Facts, shared: Facts, x: Scale, y: Scale) -> str:
    """Tree, outriggers and hall pair as small squares, where the mix has them."""
    tree, out, far = (dict(arrays[name]) for name in ("tree", "outriggers", "hall"))
    tree["spacing"] = shared.get("tree_spacing", tree["spacing"])
    out["spacing"] = shared.get("outrigger_spacing", out["spacing"])
    far["y"] = -shared["hall_distance"] if "hall_distance" in shared else far["y"]
    spots: list[tuple[str, float, float]] = [
        ("tree, left", -tree["spacing"] / 2.0, tree["y"]),
        ("tree, centre", 0.0, tree["y"] + tree["forward"]),
        ("tree, right", tree["spacing"] / 2.0, tree["y"]),
    ]
    for name, pair in (("outrigger", out), ("hall", far)):
        for side, word in ((-0.5, "left"), (0.5, "right")):
            spots.append((f"{name}, {word}", side * pair["spacing"], pair["y"]))
    return "".join(
        tag("rect", title(f"microphone: {name}"), x=x(a) - 2.5, y=y(b) - 2.5, width=5.0, height=5.0,
            class_="microphone")
        for name, a, b in spots
    )  # fmt: skip


def _conductor(x: Scale, y: Scale) -> str:
    """The origin: a cross."""
    a, b = x(0.0), y(0.0)
    cross = line(a - 5, b, a + 5, b, class_="origin") + line(a, b - 5, a, b + 5, class_="origin")
    return tag("g", title("conductor (0, 0)"), cross)


def _move(old: Any, new: Any, x: Scale, y: Scale) -> str:
    """The way from the old seat to the new one, beneath all marks."""
    if math.dist(old, new) < SEAT_STEP:
        return ""
    return line(x(old[0]), y(old[1]), x(new[0]), y(new[1]), class_="way")


def _source(number: str, name: str, old: Any, new: Any, *, x: Scale, y: Scale, many: bool) -> str:
    """A numbered source before and after."""
    still = math.dist(old, new) < SEAT_STEP
    about = f"{number} {name}: x {new[0]:+.1f} m, y {new[1]:+.1f} m"
    if not still:
        about += f" (reference: x {old[0]:+.1f} m, y {old[1]:+.1f} m)"
    ring = "" if still else tag("circle", cx=x(old[0]), cy=y(old[1]), r=4.5, class_="before")
    dot = numbered(number, (x(new[0]), y(new[1])), still=still, many=many)
    return tag("g", title(about), ring, dot)
