"""What the ear gets, drawn: depth against side, who hides the foreground, level in thirds.

*Conventions*: before (the reference) is hollow or dashed, after (the mix) filled or solid, so no
picture needs colour to be read. Tracks are called by name; those that move have the numbers of the
mix's path before it, as on the sheet. Every picture has a title that says what to see in it.

`depth_and_side`, `hiding`, `spectrum`: one picture each, as SVG; `depth_title`, `hiding_title` and
`spectrum_title`: what to see in it.

Sources
-------
IEC 61260-1:2014, base-ten third-octave mid-band frequencies from 25 Hz to 16 kHz.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from placer.result.facts import changes, mix_name, percent
from placer.result.labels import Labels, shortened
from placer.result.model import Mix, PlacedTrack, Result, ResultTrack
from placer.result.path_words import track_numbers, working_order
from placer.result.svg import (
    MANY,
    WIDTH,
    Scale,
    axes,
    line,
    number,
    path,
    picture,
    tag,
    text,
    ticks,
    title,
)
from placer.result.words import depth_words, named

LEFT, RIGHT, TOP = 40.0, 352.0, 24.0
FIRST_THIRD = 14
"""Exponent of the lowest third, 10^(14/10) = 25 Hz."""
ENERGY_DB = 45.0
"""How far below the loudest third there still is energy that matters to a picture, dB."""
LOWS = 11
"""Thirds up to 250 Hz."""
SHOWN = 0.05
"""Hiding below this is not drawn."""
HIDERS, LAYERS = 3, 8
"""Tracks named that hide a layer, and layers drawn."""
NEAR_DB = 0.5
"""Changes below which a track is drawn as one that is heard as before."""
ROW, HEAD = 17.0, 19.0
"""Heights of a line of the picture of hiding, user units."""


def depth_title(result: Result, mix: Mix) -> str:
    """Say what to see in the picture of depth against side."""
    if mix.rank == 0:
        return "Depth and side: how near and on which side each track is heard"
    heard = [(depth_words(a, b), track.name) for track, a, b in working_order(result, mix)]
    parts = [
        f"heard {way}: {named(names)}"
        for way in ("nearer", "farther")
        if (names := [name for words, name in heard if words == way])
    ]
    return f"Depth and side: {'; '.join(parts) or 'nobody is heard clearly nearer or farther'}"


def depth_and_side(result: Result, mix: Mix) -> str:
    """Where each track is heard: degrees to the side against depth.

    Near is below and far above, as in the plan. Returns SVG.
    """
    triples = working_order(result, mix)
    both = [one for _, before, after in triples for one in (before, after)]
    drr = [max(-40.0, min(40.0, one.drr_db)) for one in both] or [0.0]
    reach = max(15.0, 5.0 * math.ceil(max(abs(one.lateral_deg) for one in both) / 5.0 + 0.4))
    x = Scale(-reach, reach, LEFT, RIGHT)
    up = Scale(math.floor(min(drr)) - 1.5, math.ceil(max(drr)) + 1.5, TOP, 320.0)
    inside = [
        axes(
            x, up, x_name="heard to the left or right, degrees",
            y_name=_depth_name(result),
            x_ticks=[(v, f"{abs(v):g}") for v in ticks(-reach, reach, 7)],
            y_ticks=[(v, f"{v:g}") for v in ticks(up.low, up.high, 7)],
        ),
        text(LEFT + 5, TOP + 14, "far", class_="place"),
        text(LEFT + 5, 314, "near", class_="place"),
    ]  # fmt: skip
    labels = Labels((LEFT + 1, TOP + 1, WIDTH - 1, 319.0))
    labels.keep_free((LEFT, TOP, LEFT + 34, TOP + 20))
    labels.keep_free((LEFT, 302.0, LEFT + 38, 320.0))
    numbers = track_numbers(result, mix)
    marks = [
        Heard(
            name=track.name,
            number=numbers[track.name],
            moved=bool(changes(before, after)),
            foreground=bool(track.foreground),
            before=before,
            after=after,
            old=(x(before.lateral_deg), up(before.drr_db)),
            new=(x(after.lateral_deg), up(after.drr_db)),
        )
        for track, before, after in triples
    ]
    for one in sorted(marks, key=lambda one: one.moved):
        inside.append(_heard_mark(one, labels))
    wanted = sorted(marks, key=lambda one: (not one.moved, not one.foreground))
    for one in wanted[:MANY]:
        inside.append(
            labels.name(one.label, one.new, 5.5, class_="name moved" if one.moved else "name")
        )
    hidden = labels.left_out + max(0, len(wanted) - MANY)
    unnamed = f" {hidden} names had no room; they appear on the marks." if hidden else ""
    end = 366.0
    if mix.rank:
        inside.append(
            text(
                LEFT - 30,
                end + 14,
                "Ring: reference. Dot: the mix. Grey: not moved.",
                class_="axis",
            )
        )
        end += 16.0
    return picture(
        f"depth-{mix.rank}", end + 6.0, *inside,
        name=depth_title(result, mix),
        description=f"{mix_name(mix)}: each track by the angle it is heard at and by how dry it is "
        f"heard. Rings are the reference, dots the mix; near is below.{unnamed}",
    )  # fmt: skip


def _depth_name(result: Result) -> str:
    """What depth is told by: of a recorded track no more is known than early against late sound."""
    recorded = [track.kind == "recorded" for track in result.tracks]
    if all(recorded):
        return "early to late sound (C80), dB"
    more = "; recorded tracks: early to late" if any(recorded) else ""
    return f"direct to reverberant sound, dB{more}"


@dataclass(frozen=True, slots=True)
class Heard:
    """One track in the picture of depth against side, in the reference and in the mix."""

    name: str
    number: str
    moved: bool
    foreground: bool
    before: PlacedTrack
    after: PlacedTrack
    old: tuple[float, float]
    new: tuple[float, float]

    @property
    def label(self) -> str:
        """Its name in the picture."""
        return f"{self.number} {self.name}".strip() if self.moved else self.name


def _heard_mark(one: Heard, labels: Labels) -> str:
    """A dot where a track is heard in the mix; where it moves, the way from a ring before."""
    old, new = one.before, one.after
    about = (
        f"{one.label}: {new.lateral_deg:+.0f} degrees, {new.drr_db:+.1f} dB "
        f"(reference: {old.lateral_deg:+.0f} degrees, {old.drr_db:+.1f} dB)"
    )
    parts = [title(about)]
    if one.moved and math.dist(one.old, one.new) > 4.0:
        parts.append(line(*one.old, *one.new, class_="way"))
        parts.append(tag("circle", cx=one.old[0], cy=one.old[1], r=4.0, class_="before"))
        labels.keep_mark_free(one.old, 5.0)
        labels.keep_line_free(one.old, one.new)
    radius, kind = (5.0, "after") if one.moved else (3.5, "still")
    labels.keep_mark_free(one.new, radius)
    parts.append(tag("circle", cx=one.new[0], cy=one.new[1], r=radius, class_=kind))
    return tag("g", *parts)


@dataclass(frozen=True, slots=True)
class Hider:
    """How much one track hides of a layer before and after, shares of 0 to 1."""

    layer: str
    name: str
    before: float
    after: float


def hiders(
    result: Result, mix: Mix
) -> list[tuple[ResultTrack, PlacedTrack, PlacedTrack, list[Hider]]]:
    """Layers that carry the music, in working order, with those that hide most of each.

    Returns
    -------
    list of (description, before, after, hiders)
        At most `LAYERS` layers, the least audible of the reference.
    """
    in_cue = result.names
    front = [three for three in working_order(result, mix) if three[0].foreground]
    least = sorted(front, key=lambda three: float(three[1].audibility))[:LAYERS]
    found = []
    for three in front:
        if three not in least:
            continue
        row = in_cue.index(three[0].name)
        before, after = result.reference.maskers[row], mix.maskers[row]
        order = sorted(range(len(in_cue)), key=lambda i: -max(before[i], after[i]))[:HIDERS]
        some = [
            Hider(
                three[0].name,
                "its own room" if i == row else in_cue[i],
                float(before[i]),
                float(after[i]),
            )
            for i in order
            if max(before[i], after[i]) >= SHOWN
        ]
        found.append((*three, some))
    return found


def hiding_title(result: Result, mix: Mix) -> str:
    """Say what to see in the picture of hiding."""
    head = "Who hides what carries the music"
    every = [one for *_, some in hiders(result, mix) for one in some]
    if not every:
        return f"{head}: nobody hides much of it"
    if mix.rank == 0:
        most = max(every, key=lambda one: one.after)
        return f"{head}: most of all {most.layer} by {most.name} ({percent(most.after)} %)"
    freed = min(every, key=lambda one: one.after - one.before)
    if freed.after - freed.before > -0.005:
        return f"{head}: much as in the reference"
    return (
        f"{head}: {freed.layer} less hidden by {freed.name} "
        f"({percent(freed.before)} to {percent(freed.after)} %)"
    )


def hiding(result: Result, mix: Mix, *, key: str = "hiding") -> str:
    """Who hides each layer that carries the music, before and after, by name; as SVG.

    `key` names the picture within its page.
    """
    found = hiders(result, mix)
    top = max([SHOWN, *(max(one.before, one.after) for *_, some in found for one in some)])
    x = Scale(0.0, top, 138.0, 278.0)
    numbers = track_numbers(result, mix)
    inside, y = [], 14.0
    two = bool(mix.rank)
    for track, before, after, some in found:
        label = shortened(track.name)
        if changes(before, after):
            label = f"{numbers[track.name]} {label}".strip()
        was, now = percent(before.audibility), percent(after.audibility)
        heard = f"{was} to {now} % audible" if was != now else f"{now} % audible"
        inside.append(text(8.0, y, f"{label}: {heard}", class_="name moved"))
        y += HEAD - 2.0
        for one in some:
            inside.append(_hider(one, x, y, two=two))
            y += ROW
        if not some:
            inside.append(text(18.0, y, "hardly hidden", class_="tick"))
            y += ROW
        y += 8.0
    words = ["Bars: share of the layer that the named track hides."]
    if two:
        words.append("Hollow above: reference. Filled below: the mix.")
    left = len([track for track in result.tracks if track.foreground]) - len(found)
    if left > 0:
        words.append(f"The {len(found)} least audible; {left} more carry the music.")
    inside += [text(8.0, y + 14.0 * i, one, class_="axis") for i, one in enumerate(words)]
    return picture(
        key, y + 14.0 * (len(words) - 1) + 8.0, *inside,
        name=hiding_title(result, mix),
        description=f"{mix_name(mix)}: {len(found)} layers by name, each with the tracks that hide "
        "most of it and how much, in the reference and in the mix.",
    )  # fmt: skip


def _hider(one: Hider, x: Scale, y: float, *, two: bool) -> str:
    """A name, two bars and two numbers on one line."""
    was, now = percent(one.before), percent(one.after)
    parts = [
        title(f"{one.layer} is hidden by {one.name}: {was} % in the reference, {now} % here"),
        text(18.0, y, shortened(one.name), class_="tick"),
        _bar_of(x, y - (4.0 if two else 7.0), one.after, "hides"),
        text(284.0, y, f"{was} to {now} %" if was != now else f"{now} %", class_="tick"),
    ]
    if two:
        parts.insert(2, _bar_of(x, y - 10.0, one.before, "hid"))
    return tag("g", *parts)


def _bar_of(x: Scale, y: float, share: float, class_: str) -> str:
    return tag(
        "rect", x=x.start, y=y, width=max(0.8, x(share) - x.start), height=5.0, class_=class_
    )


def thirds_with_energy(result: Result, mix: Mix) -> list[int]:
    """Thirds within `ENERGY_DB` of the loudest, before or after, and those between them."""
    before, after = result.reference.figures.thirds_db, mix.figures.thirds_db
    loud = [max(a, b) for a, b in zip(before, after, strict=True)]
    found = [i for i, value in enumerate(loud) if value >= max(loud) - ENERGY_DB]
    return list(range(found[0], found[-1] + 1))


def spectrum_title(result: Result, mix: Mix) -> str:
    """Say what to see in the picture of level."""
    head = "Level in thirds of an octave"
    if mix.rank == 0:
        return f"{head}: what the whole reference holds"
    shown = thirds_with_energy(result, mix)
    change = _level_changes(result, mix)
    lows = max((abs(change[i]) for i in shown if i < LOWS), default=0.0)
    where = max(shown, key=lambda i: abs(change[i]))
    return (
        f"{head}: lows within {lows:.1f} dB of the reference; the most is "
        f"{change[where]:+.1f} dB at {_hertz(where)}"
    )


def _level_changes(result: Result, mix: Mix) -> list[float]:
    """Level of every third against the reference, dB."""
    before, after = result.reference.figures.thirds_db, mix.figures.thirds_db
    return [b - a for a, b in zip(before, after, strict=True)]


def _centre(index: int) -> float:
    return float(10.0 ** ((FIRST_THIRD + index) / 10.0))


def _hertz(index: int) -> str:
    """Mid-band frequency of a third as it is written."""
    centre = _centre(index)
    return f"{centre:.0f} Hz" if centre < 1000 else f"{centre / 1000:.1f} kHz"


def spectrum(result: Result, mix: Mix) -> str:
    """Level of the whole mix in thirds where there is energy, and the difference; as SVG."""
    shown = thirds_with_energy(result, mix)
    before = [result.reference.figures.thirds_db[i] for i in shown]
    after = [mix.figures.thirds_db[i] for i in shown]
    centres = [_centre(i) for i in shown]
    top = 5.0 * math.ceil(max([*before, *after]) / 5.0)
    low = max(top - ENERGY_DB - 10.0, 5.0 * math.floor(min([*before, *after]) / 5.0) - 5.0)
    x = Scale(math.log10(centres[0]) - 0.05, math.log10(centres[-1]) + 0.05, LEFT, RIGHT)
    up = Scale(low, top, 160.0, TOP)
    marks = [
        (math.log10(v), f"{v:g}" if v < 1000 else f"{v / 1000:g}k")
        for v in (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
        if x.low <= math.log10(v) <= x.high
    ]
    logs = [math.log10(centre) for centre in centres]
    inside = [
        axes(x, up, x_name="" if mix.rank else "Hz", y_name="level, dB",
             x_ticks=[(v, "" if mix.rank else label) for v, label in marks],
             y_ticks=[(v, f"{v:g}") for v in ticks(low, top, 5)]),
        path([(x(f), up(v)) for f, v in zip(logs, before, strict=True)], class_="line-before"),
        path([(x(f), up(v)) for f, v in zip(logs, after, strict=True)], class_="line-after"),
    ]  # fmt: skip
    if mix.rank:
        inside += _differences(before, after, logs, marks=marks, x=x)
        inside.append(
            text(10.0, 332.0, "Dashed: reference. Solid: the mix. Bars: the difference.",
                 class_="axis")
        )  # fmt: skip
    change = [b - a for a, b in zip(before, after, strict=True)]
    return picture(
        f"spectrum-{mix.rank}", 338.0 if mix.rank else 198.0, *inside,
        name=spectrum_title(result, mix),
        description=f"{mix_name(mix)}, thirds within {ENERGY_DB:g} dB of the loudest. The largest "
        f"difference is {max(change, key=abs):+.1f} dB.",
    )  # fmt: skip


def _differences(
    before: Sequence[float],
    after: Sequence[float],
    logs: Sequence[float],
    *,
    marks: list[tuple[float, str]],
    x: Scale,
) -> list[str]:
    """Difference of every third as a bar from zero, with its axes."""
    change = [b - a for a, b in zip(before, after, strict=True)]
    span = min(12.0, max(2.0, math.ceil(max(map(abs, change)))))
    gap = Scale(-span, span, 278.0, 204.0)
    found = [
        axes(x, gap, x_name="Hz", y_name="difference, dB", x_ticks=marks,
             y_ticks=[(v, f"{v:+g}" if v else "0") for v in (gap.low, 0.0, gap.high)])
    ]  # fmt: skip
    for where, one in zip(logs, change, strict=True):
        a, b = sorted((gap(0.0), gap(one)))
        about = title(f"{number(10.0**where)} Hz: {one:+.1f} dB")
        found.append(
            tag("rect", about, x=x(where) - 3.0, y=a, width=6.0, height=max(0.6, b - a),
                class_="bar")
        )  # fmt: skip
    return found
