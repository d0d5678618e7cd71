"""What a change of placement is in plain words.

*Conventions*: before and after are track entries of result.json; left is negative; nearer and
farther are seen from the conductor. Words name only what a person can set or hear.

`move_words`: one track. `heard_words`: what the ear gets of it. `depth_words`: nearer or farther.
`audible_words`: how much is heard of a track. `points`: its change. `front_words`,
`front_average`: the average of the layers that carry the music.
`mix_words`: a whole mix, against the reference and the other mixes. `named`: some names.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from placer.result.facts import (
    changes,
    delay_ms,
    gain_text,
    mix_name,
    pairs,
    pan_text,
    percent,
    signed,
)
from placer.result.model import Mix, PlacedTrack, Result, TrackTriple

UNCHANGED = "leave as it is"
HEARD_DEG = 4.0
"""Change of side worth words, degrees; about four times the least that is heard in front of the
listener (Blauert, Spatial Hearing, 1997: localisation blur about 1 degree)."""
HEARD_DRR_DB = 2.0
"""Change of direct-to-reverberant ratio worth words, dB; the least that is heard is 2 to 3 dB in
the middle of the range (Larsen et al. 2008, J. Acoust. Soc. Am. 124, 450-461)."""

HEARD_C80_DB = 1.0
"""Change of C80 worth words, dB: the least that is heard (ISO 3382-1:2009, table A.1)."""

TOLD_POINTS = 2
"""Change of an audible share worth a word, in points of a per cent: a matter of sense, no source.
"""

HEARD_POINTS = 3
"""Change of an audible share that is heard by itself: a matter of sense, no source."""

TOLD, MOST_TOLD = 3, 4
"""Tracks named that move first or tell two mixes apart, and that carry the music."""


def move_words(reference_track: PlacedTrack, track: PlacedTrack) -> str:
    """What to do to one track, in one line.

    Parameters
    ----------
    reference_track, track : PlacedTrack
        The track in the reference and in the mix.

    Returns
    -------
    str
        Such as "move 3.0 m to the left, 40 % closer; more close (+3 dB), less hall (-4 dB)".
    """
    done = set_words(reference_track, track)
    if not done:
        return UNCHANGED
    heard = heard_words(reference_track, track)
    return f"{done} (heard {heard})" if heard else done


def set_words(reference_track: PlacedTrack, track: PlacedTrack) -> str:
    """What to set of one track, as `move_words` says it; "" where nothing moves."""
    altered = changes(reference_track, track)
    parts = [
        _seat_words(reference_track, track) if "seat" in altered else "",
        f"pan to {pan_text(track.pan)}" if "pan" in altered else "",
        _blend_words(altered.get("blend", {})),
        _width_words(reference_track, track) if "width" in altered else "",
        _delay_words(track) if "delay" in altered else "",
    ]
    return "; ".join(part for part in parts if part)


def _seat_words(before: PlacedTrack, after: PlacedTrack) -> str:
    """Where a seat goes."""
    dx, dy = (b - a for a, b in zip(before.place, after.place, strict=True))
    old, new = math.hypot(*before.place), math.hypot(*after.place)
    parts = []
    if abs(dx) >= 0.25:
        parts.append(f"{abs(dx):.1f} m to the {'left' if dx < 0 else 'right'}")
    change = round(100.0 * (new - old) / old) if old > 0.1 else 0
    if abs(change) >= 5:
        parts.append(f"{abs(change)} % {'closer' if change < 0 else 'farther away'}")
    elif abs(dy) >= 0.25:
        parts.append(f"{abs(dy):.1f} m {'forward' if dy < 0 else 'back'}")
    return f"move {', '.join(parts)}" if parts else "move a little"


def _blend_words(blend: dict[str, tuple[float | None, float | None]]) -> str:
    """Which microphone positions to raise, lower or switch; what is raised first."""
    parts: list[tuple[float, str]] = []
    for name, (old, new) in blend.items():
        if new is None:
            parts.append((-99.0, f"{name} off"))
        elif old is None:
            parts.append((99.0, f"{name} on at {gain_text(new)}"))
        else:
            change = new - old
            parts.append(
                (change, f"{'more' if change > 0 else 'less'} {name} ({gain_text(change)})")
            )
    return ", ".join(text for _, text in sorted(parts, key=lambda part: -part[0]))


def _width_words(before: PlacedTrack, after: PlacedTrack) -> str:
    """Whether the track gets wider or narrower."""
    way = "wider" if after.width > before.width else "narrower"
    return f"{way}: width {round(100 * after.width)} %"


def _delay_words(after: PlacedTrack) -> str:
    """What to do with the delay of the close position."""
    delay = delay_ms(after)
    return f"alignment of close to tree {delay:.1f} ms" if delay >= 0.05 else "close not delayed"


def heard_words(before: PlacedTrack, after: PlacedTrack) -> str:
    """What the ear gets of a track's move, such as "14 degrees more to the left, nearer"."""
    side = after.lateral_deg - before.lateral_deg
    sideways = _side_words(before.lateral_deg, after.lateral_deg)
    parts = [sideways if abs(side) >= HEARD_DEG else "", depth_words(before, after)]
    return ", ".join(part for part in parts if part)


def _side_words(before: float, after: float) -> str:
    """How far to which side, from degrees before and after; left is negative.

    Examples
    --------
    >>> _side_words(-1.2, -19.0), _side_words(8.0, -6.1)
    ('18 degrees more to the left', '6 degrees left instead of 8 right')
    """
    old, new = round(abs(before)), round(abs(after))
    way = "left" if after < before else "right"
    if before * after < 0.0 and old and new:
        return f"{new} degrees {way} instead of {old} {'right' if way == 'left' else 'left'}"
    return f"{abs(after - before):.0f} degrees more to the {way}"


def depth_words(before: PlacedTrack, after: PlacedTrack) -> str:
    """Whether a track is heard nearer or farther, or what changes where that cannot be said.

    Nearer needs more direct sound and a higher C80 together. Recorded tracks have one figure of
    depth only, early against late energy, which is their C80.

    Returns
    -------
    str
        Such as "nearer"; "" where nothing is heard of it.
    """
    early = after.c80_db - before.c80_db
    return _depth(early if before.seat is None else after.drr_db - before.drr_db, early)


def _depth(direct: float, early: float) -> str:
    """The same of changes of direct-to-reverberant ratio and of C80, dB."""
    if abs(direct) < HEARD_DRR_DB and abs(early) < HEARD_C80_DB:
        return ""
    if direct * early > 0.0:
        return "nearer" if early > 0.0 else "farther"
    return f"direct to reverberant {signed(direct)} dB, C80 {signed(early)} dB"


def named(names: Sequence[str]) -> str:
    """Name some tracks, the first of many.

    Examples
    --------
    >>> named(["horns"]), named(["a", "b", "c"]), named(["a", "b", "c", "d", "e"])
    ('horns', 'a, b and c', 'a, b, c and 2 more')
    """
    many = len(names) > TOLD + 1
    head = names[:TOLD] if many else names[: max(1, len(names) - 1)]
    last = [f"{len(names) - TOLD} more"] if many else names[1:][-1:]
    return " and ".join([", ".join(head), *last])


def points(before: float, after: float) -> int:
    """By how many points of a per cent a share changes, as both are told."""
    return percent(after) - percent(before)


def audible_words(name: str, before: float, after: float) -> str:
    """How much of a track is heard before and after, from shares of 0 to 1.

    Examples
    --------
    >>> audible_words("celli", 0.06, 0.114), audible_words("horns", 0.226, 0.234)
    ('celli 6 to 11 %', 'horns 23 %')
    """
    was, now = percent(before), percent(after)
    return f"{name} {was} to {now} %" if was != now else f"{name} {now} %"


def mix_words(result: Result, mix: Mix) -> str:
    """How a mix differs from the reference and from the other mixes of the run.

    Parameters
    ----------
    result : Result
        Its "mixes" may still lack some, which are then not compared.
    mix : Mix
        One of its mixes, or the reference.
    """
    if mix.rank == 0:
        return "The cue as its cue file places it."
    triples = list(pairs(result, mix))
    moved = [three for three in triples if changes(three[1], three[2])]
    if not moved:
        return "No track differs from the reference."
    parts = [
        _moved_words(mix, moved, len(triples)),
        _audible_before_and_after(triples),
        front_words(result, mix),
        _average_words(triples),
        _share_words(result, mix),
        _others_words(result, mix),
    ]
    return " ".join(part for part in parts if part)


def _moved_words(mix: Mix, moved: list[TrackTriple], count: int) -> str:
    """How many tracks move, and which first."""
    path = mix.moved
    known = {track.name for track, _, _ in moved}
    names = [name for name in path if name in known] + sorted(known - set(path))
    listed = ", ".join(names[:TOLD])
    first = f": {listed}" if len(names) <= TOLD else f", first {listed}"
    return f"{len(moved)} of {count} tracks move{first}."


def _audible_before_and_after(triples: list[TrackTriple]) -> str:
    """How audible the layers that carry the music were and are, those that change most first."""
    front = [
        (track.name, before.audibility, after.audibility)
        for track, before, after in triples
        if track.foreground and abs(points(before.audibility, after.audibility)) >= TOLD_POINTS
    ]
    front.sort(key=lambda one: -abs(one[2] - one[1]))
    told = [audible_words(*one) for one in front[:MOST_TOLD]]
    if more := len(front) - len(told):
        told[-1] += f" (and {more} more)"
    return f"Audible: {'; '.join(told)}." if told else ""


def front_words(result: Result, mix: Mix) -> str:
    """The one average that is told of a mix: of the layers that carry the music, all where none.

    Parameters
    ----------
    result : Result
    mix : Mix

    Returns
    -------
    str
        Such as "The 6 layers that carry the music: on average 25 to 28 % audible."
    """
    count = sum(track.foreground for track in result.tracks)
    layers = f"The {count} layers that carry" if count > 1 else "The layer that carries"
    who = f"{layers} the music" if count else "All tracks"
    was, now = (percent(front_average(result, one)) for one in (result.reference, mix))
    heard = f"{was} to {now} % audible" if was != now else f"{now} % audible, as before"
    return f"{who}: {'' if count == 1 else 'on average '}{heard}."


def front_average(result: Result, mix: Mix) -> float:
    """Mean audible share of the layers that carry the music, of all where none does; 0 to 1.

    It is on the scale of the live line of a search (`placer.run.standing`).
    """
    front = [track.foreground for track in result.tracks]
    shares = [
        track.audibility
        for track, one in zip(mix.tracks, front, strict=True)
        if one or not any(front)
    ]
    return sum(shares) / len(shares)


def _average_words(triples: list[TrackTriple]) -> str:
    """Whether the picture gets wider, nearer or deeper."""
    direct = sum(after.drr_db - before.drr_db for _, before, after in triples) / len(triples)
    early = sum(after.c80_db - before.c80_db for _, before, after in triples) / len(triples)
    seated = any(before.seat for _, before, _ in triples)
    side = sum(abs(b.lateral_deg) - abs(a.lateral_deg) for _, a, b in triples) / len(triples)
    sideways = (
        f"{abs(side):.0f} degrees {'wider to the sides' if side > 0 else 'more to the middle'}"
    )
    deeper = abs(direct) >= HEARD_DRR_DB  # less is held on purpose
    parts = [
        sideways if abs(side) >= 1.0 else "",
        _depth(direct if seated else early, early) if deeper else "",
    ]
    told = " and ".join(part for part in parts if part)
    return f"Against the reference a track is on average heard {told}." if told else ""


def _others_words(result: Result, mix: Mix) -> str:
    """Which earlier mix this one goes on from or is most like, and what tells them apart."""
    others = [other for other in result.mixes if other.rank < mix.rank]
    if not others:
        return ""
    if base := _continued(result, mix):
        more = len(mix.steps) - len(base.steps)
        return f"Goes on from {mix_name(base)} with {more} move{'' if more == 1 else 's'} more."
    nearest, apart = min(
        ((other, _differences(mix, other)) for other in others),
        key=lambda found: sum(size for size, _ in found[1]),
    )
    told = [words for size, words in apart if size >= 1.0][:TOLD]
    if not told:
        return f"Much like {mix_name(nearest)}."
    return f"Nearest to {mix_name(nearest)}, but with {'; '.join(told)}."


def _share_words(result: Result, mix: Mix) -> str:
    """What part of the best improvement found a mix reaches, and with how many moves."""
    best = min(result.mixes, key=lambda one: float(one.cost), default=mix)
    before = result.reference.cost
    if best.rank == mix.rank or best.cost >= before:
        return ""
    share = (before - mix.cost) / (before - best.cost)
    mine, most = len(mix.steps), len(best.steps)
    count = f"{mine} move{'' if mine == 1 else 's'}"
    moves = f"with {count} instead of {most}" if mine != most else f"with as many moves, {mine}"
    return (
        f"This mix brings {percent(share)} % of the best improvement found, {mix_name(best)}'s, "
        f"{moves}."
    )


def _continued(result: Result, mix: Mix) -> Mix | None:
    """The mix whose path this one goes on from, where that mix is among those of the run."""
    for other in result.mixes:
        steps = [step.tracks for step in other.steps]
        if mix.nested and other.rank == mix.rank - 1 and len(steps) < len(mix.steps):
            begun = [step.tracks for step in mix.steps[: len(steps)]]
            return other if begun == steps else None
    return None


def _differences(mix: Mix, other: Mix) -> list[tuple[float, str]]:
    """How far each track lies from where another mix has it, in words too; the farthest first."""
    there = {track.name: track for track in other.tracks}
    found = []
    for track in mix.tracks:
        side = track.lateral_deg - there[track.name].lateral_deg
        depth = track.c80_db - there[track.name].c80_db
        size = abs(side) / (HEARD_DEG + 1.0) + abs(depth) / (HEARD_C80_DB + 1.0)
        found.append((size, f"{track.name} {_apart(there[track.name], track)}"))
    return sorted(found, key=lambda one: -one[0])


def _apart(there: PlacedTrack, here: PlacedTrack) -> str:
    """Where a track is against where another mix has it."""
    side = here.lateral_deg - there.lateral_deg
    sideways = "more to the left" if side < 0 else "more to the right"
    depth = depth_words(there, here)
    parts = [sideways if abs(side) >= HEARD_DEG else "", depth]
    return " and ".join(part for part in parts if part) or f"a little {sideways}"
