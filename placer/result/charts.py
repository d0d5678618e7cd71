"""What the ear gets, drawn: depth against side, who hides whom, the spectrum.

*Conventions*: before (the reference) is hollow or dashed, after (the mix) filled or solid, so no
picture needs colour to be read. Tracks have the numbers of the mix's path, as on the sheet.

`depth_and_side`, `hiding`, `spectrum`: one picture each, as SVG.

Sources
-------
IEC 61260-1:2014, base-ten third-octave mid-band frequencies from 25 Hz to 16 kHz.
"""

from __future__ import annotations

import math

from placer.result.facts import Facts, mix_name
from placer.result.path import track_numbers, working_order
from placer.result.svg import (
    MANY,
    WIDTH,
    Scale,
    axes,
    line,
    number,
    numbered,
    path,
    picture,
    tag,
    text,
    ticks,
    title,
)

LEFT, RIGHT, TOP = 40.0, 350.0, 24.0
FIRST_THIRD = 14
"""Exponent of the lowest third, 10^(14/10) = 25 Hz."""
FLOOR_BELOW_DB = 60.0
"""How far below the loudest third the spectrum is drawn, dB."""
SHOWN = 0.05
"""Hiding below this is drawn as none."""


def depth_and_side(result: Facts, mix: Facts) -> str:
    """Where each track is heard: degrees to the side against direct-to-reverberant ratio.

    Near is below and far above, as in the plan. Returns SVG.
    """
    triples = working_order(result, mix)
    numbers = track_numbers(result, mix)
    both = [one for _, before, after in triples for one in (before, after)]
    drr = [max(-40.0, min(40.0, one["drr_db"])) for one in both] or [0.0]
    reach = max(30.0, 5.0 * math.ceil(max(abs(one["lateral_deg"]) for one in both) / 5.0))
    x = Scale(-reach, reach, LEFT, RIGHT)
    up = Scale(math.floor(min(drr)) - 1.0, math.ceil(max(drr)) + 1.0, TOP, 284.0)
    inside = [
        axes(
            x, up, x_name="degrees, left to right", y_name="direct to reverberant, dB",
            x_ticks=[(v, f"{abs(v):g}") for v in ticks(-reach, reach, 7)],
            y_ticks=[(v, f"{v:g}") for v in ticks(up.low, up.high, 7)],
        ),
        text(LEFT + 5, TOP + 12, "far", class_="place"),
        text(LEFT + 5, 279, "near", class_="place"),
    ]  # fmt: skip
    for before, after in ((b, a) for _, b, a in triples):
        a, b = (x(before["lateral_deg"]), up(before["drr_db"])), (
            x(after["lateral_deg"]), up(after["drr_db"]))  # fmt: skip
        if math.dist(a, b) > 3.0:
            inside.append(line(*a, *b, class_="way"))
            inside.append(tag("circle", cx=a[0], cy=a[1], r=4.5, class_="before"))
    for track, before, after in triples:
        inside.append(_heard(result, numbers[track["name"]], before, after, x=x, up=up))
    return picture(
        f"depth-{mix['rank']}", 324.0, *inside,
        name=f"Depth against side: reference and {mix_name(mix)}",
        description="Each track by the angle it is heard at and by how dry it is heard: "
        "rings are the reference, dots the mix; near is below.",
    )  # fmt: skip


def _heard(result: Facts, number: str, before: Facts, after: Facts, *, x: Scale, up: Scale) -> str:
    """A numbered dot where a track is heard in the mix."""
    at = x(after["lateral_deg"]), up(after["drr_db"])
    still = math.dist(at, (x(before["lateral_deg"]), up(before["drr_db"]))) <= 3.0
    about = (
        f"{number} {after['name']}: {after['lateral_deg']:+.0f} degrees, {after['drr_db']:+.1f} dB "
        f"(reference: {before['lateral_deg']:+.0f} degrees, {before['drr_db']:+.1f} dB)"
    )
    many = len(result["tracks"]) > MANY
    return tag("g", title(about), numbered(number, at, still=still, many=many))


def hiding(result: Facts, mix: Facts, *, key: str = "hiding") -> str:
    """Who hides whom: a row for each hidden track, a column for each that hides it; as SVG.

    The strongest share of the whole run is drawn full, so that pictures compare. `key` names the
    picture within its page.
    """
    top = max(SHOWN, *(most_hidden(one) for one in (result["reference"], *result["mixes"])))
    in_cue = [track["name"] for track in result["tracks"]]
    numbers = track_numbers(result, mix)
    names, place = list(numbers), [in_cue.index(name) for name in numbers]
    count = len(names)
    cell = min(26.0, (RIGHT - LEFT) / max(1, count))
    x0, y0 = LEFT, TOP + 18.0
    inside = [
        text(x0, 12, "across: the one that hides", class_="axis"),
        text(x0, 24, "down: the one that is hidden", class_="axis"),
        tag("rect", x=x0, y=y0, width=cell * count, height=cell * count, class_="frame"),
    ]
    every = max(1, math.ceil(12.0 / cell))
    for index in range(0, count, every):
        middle = (index + 0.5) * cell
        inside.append(
            text(x0 + middle, y0 - 4, numbers[names[index]], class_="tick", text_anchor="middle")
        )
        inside.append(
            text(x0 - 5, y0 + middle + 3.5, numbers[names[index]], class_="tick", text_anchor="end")
        )
    worst = ("", 0.0)
    for row, hidden in enumerate(place):
        for column, hiding_one in enumerate(place):
            share = mix["maskers"][hidden][hiding_one]
            if row == column or share < SHOWN:
                continue
            about = f"{names[row]} is hidden by {names[column]}: {share:.2f}"
            worst = max(worst, (about, share), key=lambda pair: pair[1])
            inside.append(
                tag("rect", title(about), x=x0 + column * cell, y=y0 + row * cell, width=cell,
                    height=cell, class_="hides", fill_opacity=share / top)
            )  # fmt: skip
    inside += [_diagonal(index, cell, x0, y0) for index in range(count)]
    return picture(
        key, y0 + cell * count + 8.0, *inside,
        name=f"Who hides whom: {mix_name(mix)}",
        description=f"{count} by {count} tracks, stronger is more. Most: {worst[0] or 'nobody'}.",
    )  # fmt: skip


def most_hidden(mix: Facts) -> float:
    """The largest share that one track hides of another."""
    return max(
        (share for row, shares in enumerate(mix["maskers"])
         for column, share in enumerate(shares) if row != column),
        default=0.0,
    )  # fmt: skip


def _diagonal(index: int, cell: float, x0: float, y0: float) -> str:
    """A track's own cell."""
    return tag(
        "rect", x=x0 + index * cell, y=y0 + index * cell, width=cell, height=cell, class_="own"
    )


def spectrum(result: Facts, mix: Facts) -> str:
    """Level of the whole mix in thirds of an octave against the reference, and the difference."""
    before = result["reference"]["figures"]["thirds_db"]
    after = mix["figures"]["thirds_db"]
    centres = [10.0 ** ((FIRST_THIRD + i) / 10.0) for i in range(len(after))]
    top = 5.0 * math.ceil(max([*before, *after]) / 5.0)
    low = max(top - FLOOR_BELOW_DB, 5.0 * math.floor(min([*before, *after]) / 5.0) - 5.0)
    x = Scale(math.log10(centres[0]) - 0.05, math.log10(centres[-1]) + 0.05, LEFT, RIGHT)
    up = Scale(low, top, 170.0, TOP)
    octaves = [
        (v, f"{v:g}" if v < 1000 else f"{v / 1000:g}k") for v in (31.5, 125, 500, 2000, 8000)
    ]
    marks = [(math.log10(value), label) for value, label in octaves]
    span = max(2.0, math.ceil(max(abs(b - a) for a, b in zip(before, after, strict=True))))
    gap = Scale(-min(12.0, span), min(12.0, span), 280.0, 214.0)
    inside = [
        axes(x, up, x_name="", y_name="level, dB", x_ticks=[(v, "") for v, _ in marks],
             y_ticks=[(v, f"{v:g}") for v in ticks(low, top, 6)]),
        axes(x, gap, x_name="Hz", y_name="difference, dB", x_ticks=marks,
             y_ticks=[(v, f"{v:+g}" if v else "0") for v in (gap.low, 0.0, gap.high)]),
    ]  # fmt: skip
    logs = [math.log10(centre) for centre in centres]
    inside.append(
        path([(x(f), up(v)) for f, v in zip(logs, before, strict=True)], class_="line-before")
    )
    inside.append(
        path([(x(f), up(v)) for f, v in zip(logs, after, strict=True)], class_="line-after")
    )
    inside += [
        _bar(f, b - a, centre, x=x, up=gap)
        for f, a, b, centre in zip(logs, before, after, centres, strict=True)
    ]
    return picture(
        f"spectrum-{mix['rank']}", 318.0, *inside,
        name=f"Spectrum in thirds of an octave: reference (dashed) and {mix_name(mix)}",
        description=f"The largest difference is "
        f"{max((b - a for a, b in zip(before, after, strict=True)), key=abs):+.1f} dB.",
    )  # fmt: skip


def _bar(where: float, change: float, centre: float, *, x: Scale, up: Scale) -> str:
    """Difference of one band as a bar from zero."""
    a, b = sorted((up(0.0), up(change)))
    about = title(f"{number(centre)} Hz: {change:+.1f} dB")
    return tag(
        "rect", about, x=x(where) - 3.0, y=a, width=6.0, height=max(0.6, b - a), class_="bar"
    )


__all__ = ["WIDTH", "depth_and_side", "hiding", "spectrum"]
