"""Where everybody sits and is heard: the used part of the hall as a room acoustician draws it.

*Conventions*: drawn in metres from above, the back of the stage at the top, the hall below; stage
coordinates (conductor at the origin). A mark stands at a seat. Its size is how near the track is
heard (direct-to-reverberant ratio), its stroke to which side and how far. The reference is hollow
and dashed, the mix filled and solid. Tracks that move have the numbers of the mix's path.

`plan_view`: the picture. `plan_title`: what to see in it.

Sources
-------
ISO 3382-1:2009, clause 9: a report gives a plan with the positions of sources and receivers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from placer.result.facts import SEAT_STEP, changes, mix_name
from placer.result.labels import Labels, lines_of, text_width
from placer.result.model import Mix, PlacedTrack, Result
from placer.result.path_words import track_numbers, working_order
from placer.result.svg import MANY, WIDTH, Scale, line, picture, tag, text, title
from placer.result.words import HEARD_DEG, named
from sim.microphones import Arrays

MARGIN, TALLEST = 12.0, 400.0
BEYOND = 1.2
"""m drawn beyond the last seat or microphone."""

HALL = 34.0
"""Height of the strip of the hall below the line where the drawing is cut."""

BACK = "back of the stage"

SEEN = 0.8
"""Difference of two radii that is seen."""

STROKE, WIDEST_DEG = 34.0, 30.0
"""Stroke of a track that is heard in a loudspeaker, and the angle of that."""


@dataclass(frozen=True, slots=True)
class Seated:
    """One track with a seat: its name in the picture, before, after, and what it is."""

    name: str
    label: str
    before: PlacedTrack
    after: PlacedTrack
    moved: bool
    foreground: bool


def seated_tracks(result: Result, mix: Mix) -> list[Seated]:
    """Tracks that have a seat, in working order."""
    numbers = track_numbers(result, mix)
    found = []
    for track, before, after in working_order(result, mix):
        if before.seat and after.seat:
            moved = bool(changes(before, after))
            label = f"{numbers[track.name]} {track.name}".strip() if moved else track.name
            found.append(Seated(track.name, label, before, after, moved, track.foreground))
    return found


def plan_title(result: Result, mix: Mix) -> str:
    """Say what to see in the plan."""
    if mix.rank == 0:
        return "Plan: where each track sits; a stroke points to the side it is heard on"
    tracks = seated_tracks(result, mix)
    sit = [one.name for one in tracks if _seat_moved(one)]
    seats = (
        f"{named(sit)} sit{'s' if len(sit) == 1 else ''} elsewhere" if sit else "no seat changes"
    )
    return f"Plan: {seats}; {_side_words(tracks)}"


def _side_words(tracks: list[Seated]) -> str:
    """Who is heard more to the left and to the right."""
    apart = [(one.after.lateral_deg - one.before.lateral_deg, one.name) for one in tracks]
    left = [name for change, name in apart if change <= -HEARD_DEG]
    right = [name for change, name in apart if change >= HEARD_DEG]
    parts = [
        f"heard more to the {side}: {named(names)}"
        for side, names in (("left", left), ("right", right))
        if names
    ]
    return "; ".join(parts) or "nobody is heard on another side"


def plan_view(result: Result, mix: Mix) -> str:
    """Plan of the used part of the hall: microphones, seats, side and depth before and after.

    Parameters
    ----------
    result : Result
    mix : Mix

    Returns
    -------
    str
        SVG.
    """
    tracks = seated_tracks(result, mix)
    spots, hall = microphones(result.arrays, mix.shared)
    x, y = _scales(tracks, spots)
    bottom = y(y.low)
    labels = Labels((2.0, 2.0, WIDTH - 2.0, bottom))
    inside = [_floor(x, y), _conductor(x, y)]
    labels.keep_mark_free((x(0.0), y(0.0)), 6.0)
    inside.append(_cut(hall, x, bottom, labels))
    for one in sorted(tracks, key=lambda one: one.moved):
        inside.append(_mark(one, x, y, labels))
    names: dict[str, list[tuple[float, float]]] = {}
    for name, a, b in spots:
        spot = (x(a), y(b))
        labels.keep_mark_free(spot, 4.0)
        inside.append(_microphone(name, spot))
        names.setdefault(name.split(",")[0], []).append(spot)
    wanted = sorted(tracks, key=lambda one: (not one.moved, not one.foreground))
    for one in wanted[:MANY]:
        at = (x(one.after.place[0]), y(one.after.place[1]))
        kind = "name moved" if one.moved else "name"
        inside.append(labels.name(one.label, at, _radius(one.after), class_=kind))
    inside += [labels.name(name, at[0], 4.0, class_="place") for name, at in names.items()]
    key = [
        "Larger: heard nearer. Stroke: heard to that side,",
        "the longer the more. Squares: microphones.",
    ]
    if mix.rank:
        key.append("Hollow and dashed: reference. Filled and solid: the mix.")
    end = bottom + HALL + 18.0
    inside.append(lines_of(key, MARGIN, end, class_="axis"))
    room = result.room
    return picture(
        f"plan-{mix.rank}", end + 14.0 * (len(key) - 1) + 6.0, *inside,
        name=plan_title(result, mix),
        description=(
            f"{mix_name(mix)}; the hall is {room.width:g} m wide and {room.depth:g} m deep, "
            f"of which the used part is drawn; {len(tracks)} seated tracks, of which "
            f"{sum(map(_seat_moved, tracks))} sit elsewhere. "
            f"{_left_out(labels, len(wanted) - MANY)}"
        ).strip(),
    )  # fmt: skip


def _left_out(labels: Labels, more: int) -> str:
    """How many names had no room."""
    count = labels.left_out + max(0, more)
    return f"{count} names had no room; they appear on the marks." if count else ""


def microphones(
    arrays: Arrays, shared: Mapping[str, float]
) -> tuple[list[tuple[str, float, float]], tuple[float, float]]:
    """Main microphones as (name, x, y) in m, and (half spacing, distance) of the hall pair."""
    tree, out, far = arrays.tree, arrays.outriggers, arrays.hall
    wide = shared.get("tree_spacing", tree.spacing) / 2.0
    wider = shared.get("outrigger_spacing", out.spacing) / 2.0
    away = shared.get("hall_distance", -far.y)
    spots = [
        ("tree, centre", 0.0, tree.y + tree.forward),
        ("tree, left", -wide, tree.y),
        ("tree, right", wide, tree.y),
        ("outrigger, left", -wider, out.y),
        ("outrigger, right", wider, out.y),
    ]
    return spots, (far.spacing / 2.0, away)


def _scales(tracks: list[Seated], spots: list[tuple[str, float, float]]) -> tuple[Scale, Scale]:
    """Scales of x and y with equal metres, around all that is used on the stage."""
    seats = [state.place for one in tracks for state in (one.before, one.after)]
    points = [*seats, *((a, b) for _, a, b in spots), (0.0, 0.0)]
    left, right = min(p[0] for p in points) - BEYOND, max(p[0] for p in points) + BEYOND
    front, back = min(p[1] for p in points) - BEYOND, max(p[1] for p in points) + BEYOND
    unit = min((WIDTH - 2.0 * MARGIN) / (right - left), TALLEST / (back - front))
    spare = (WIDTH - 2.0 * MARGIN - unit * (right - left)) / (2.0 * unit)
    left, right = left - spare, right + spare
    x = Scale(left, right, MARGIN, WIDTH - MARGIN)
    return x, Scale(front, back, MARGIN + unit * (back - front), MARGIN)


def _floor(x: Scale, y: Scale) -> str:
    """The used floor with a line every 5 m."""
    top, bottom = y(y.high), y(y.low)
    parts = [
        tag("rect", x=x.start, y=top, width=x.end - x.start, height=bottom - top, class_="floor")
    ]
    for value in range(math.ceil(x.low / 5.0), math.floor(x.high / 5.0) + 1):
        parts.append(line(x(5.0 * value), top, x(5.0 * value), bottom, class_="grid"))
    for value in range(math.ceil(y.low / 5.0), math.floor(y.high / 5.0) + 1):
        parts.append(line(x.start, y(5.0 * value), x.end, y(5.0 * value), class_="grid"))
    return "".join(parts)


def _cut(hall: tuple[float, float], x: Scale, bottom: float, labels: Labels) -> str:
    """The hall pair below the line where the drawing is cut, with its distance in words."""
    half, away = hall
    height = bottom + HALL / 2.0
    words = f"hall, {away:g} m from the conductor"
    width = text_width(words, 11.0)
    parts = [
        tag("rect", x=x.start, y=bottom, width=x.end - x.start, height=HALL, class_="floor"),
        line(x.start, bottom, x.end, bottom, class_="cut"),
        text(x(0.0), height + 4.0, words, class_="place", text_anchor="middle"),
    ]
    for side, word in ((-1.0, "left"), (1.0, "right")):
        at = side * max(abs(x(half) - x(0.0)), width / 2.0 + 10.0) + x(0.0)
        at = min(x.end - 6.0, max(x.start + 6.0, at))
        parts.append(_microphone(f"hall, {word}", (at, height)))
    labels.keep_free((x.start, 0.0, x.start + 8.0 + text_width(BACK, 11.0), 14.0 + MARGIN))
    parts.append(text(x.start + 5.0, MARGIN + 13.0, BACK, class_="place"))
    words = "lines: 5 m"
    parts.append(text(x.end - 4.0, bottom - 4.0, words, class_="tick", text_anchor="end"))
    labels.keep_free((x.end - 8.0 - text_width(words, 11.0), bottom - 16.0, x.end, bottom))
    return "".join(parts)


def _microphone(name: str, at: tuple[float, float]) -> str:
    """One microphone."""
    return tag(
        "rect", title(f"microphone: {name}"), x=at[0] - 3.0, y=at[1] - 3.0, width=6.0, height=6.0,
        class_="microphone",
    )  # fmt: skip


def _conductor(x: Scale, y: Scale) -> str:
    """The origin: a cross."""
    a, b = x(0.0), y(0.0)
    cross = line(a - 5, b, a + 5, b, class_="origin") + line(a, b - 5, a, b + 5, class_="origin")
    return tag("g", title("conductor (0, 0)"), cross)


def _radius(track: PlacedTrack) -> float:
    """Size of a mark: near is large."""
    return max(2.8, min(8.5, 5.2 + 0.35 * track.drr_db))


def _seat_moved(one: Seated) -> bool:
    return math.dist(one.before.place, one.after.place) >= SEAT_STEP


def _mark(one: Seated, x: Scale, y: Scale, labels: Labels) -> str:
    """A track before and after: hollow ring, filled dot, and a stroke of each to its side."""
    parts = [title(_about(one))]
    old, new = ((x(t.place[0]), y(t.place[1])) for t in (one.before, one.after))
    if one.moved:
        if _seat_moved(one):
            parts.append(line(*old, *new, class_="way"))
            labels.keep_line_free(old, new)
        parts.append(_stroke(one.before, old, labels, class_="stroke-before"))
        parts.append(_stroke(one.after, new, labels, class_="stroke-after"))
        if _seat_moved(one) or _radius(one.before) - _radius(one.after) >= SEEN:
            parts.append(_ring(old, _radius(one.before), "before"))
        labels.keep_mark_free(old, _radius(one.before))
    else:
        parts.append(_stroke(one.after, new, labels, class_="stroke-still"))
    parts.append(_ring(new, _radius(one.after), "after" if one.moved else "still"))
    grown = _radius(one.after) - _radius(one.before) >= SEEN
    if one.moved and not _seat_moved(one) and grown:
        parts.append(_ring(new, _radius(one.before), "inner"))
    labels.keep_mark_free(new, _radius(one.after))
    return tag("g", *parts)


def _ring(at: tuple[float, float], radius: float, class_: str) -> str:
    return tag("circle", cx=at[0], cy=at[1], r=radius, class_=class_)


def _stroke(track: PlacedTrack, at: tuple[float, float], labels: Labels, *, class_: str) -> str:
    """The stroke of a track to the side where it is heard."""
    end = at[0] + STROKE * track.lateral_deg / WIDEST_DEG, at[1]
    labels.keep_line_free(at, end)
    return line(*at, *end, class_=class_)


def _about(one: Seated) -> str:
    """A track in words: seat, side and depth, before and after."""

    def at(state: PlacedTrack) -> str:
        x, y = state.place
        return (
            f"x {x:+.1f} m, y {y:+.1f} m, heard at {state.lateral_deg:+.0f} degrees, "
            f"direct to reverberant {state.drr_db:+.1f} dB"
        )

    told = f"{one.label}: {at(one.after)}"
    return f"{told} (reference: {at(one.before)})" if one.moved else told
