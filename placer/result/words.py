"""What a change of placement is in plain words.

*Conventions*: before and after are track entries of result.json; left is negative; nearer and
farther are seen from the conductor. Words name only what a person can set or hear.

`move_words`: one track. `heard_words`: what the ear gets of it. `depth_words`: nearer or farther.
`audible_words`: how much is heard of a track. `mix_words`: a whole mix, against the reference and
the other mixes. `named`: some names.
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

LEAST_CHANGE = 0.005
"""Share of a layer that must become audible to be counted as a change: half a per cent."""

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
    altered = changes(reference_track, track)
    parts = [
        _seat_words(reference_track, track) if "seat" in altered else "",
        f"pan to {pan_text(track.pan)}" if "pan" in altered else "",
        _blend_words(altered.get("blend", {})),
        _width_words(reference_track, track) if "width" in altered else "",
        _delay_words(track) if "delay" in altered else "",
    ]
    done = "; ".join(part for part in parts if part)
    if not done:
        return UNCHANGED
    heard = heard_words(reference_track, track)
    return f"{done} (heard {heard})" if heard else done


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
    """What the ear gets of a track's move, such as "14 degrees further left, nearer"."""
    side = after.lateral_deg - before.lateral_deg
    sideways = f"{abs(side):.0f} degrees further {'left' if side < 0 else 'right'}"
    parts = [sideways if abs(side) >= HEARD_DEG else "", depth_words(before, after)]
    return ", ".join(part for part in parts if part)


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


def audible_words(name: str, before: float, after: float) -> str:
    """How much of a track is heard before and after, from shares of 0 to 1.

    Examples
    --------
    >>> audible_words("celli", 0.06, 0.114), audible_words("horns", 0.226, 0.234)
    ('celli 6 to 11 %', 'horns 23 %')
    """
    was, now = round(100.0 * before), round(100.0 * after)
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
    front = [three for three in triples if three[0].foreground]
    front.sort(key=lambda three: -abs(three[2].audibility - three[1].audibility))
    told = [
        audible_words(track.name, before.audibility, after.audibility)
        for track, before, after in front[:MOST_TOLD]
    ]
    means = [
        sum(track.audibility for track in side) / len(triples)
        for side in ([before for _, before, _ in triples], [after for *_, after in triples])
    ]
    rest = [three[2].audibility - three[1].audibility for three in front[MOST_TOLD:]]
    if more := sum(change >= LEAST_CHANGE for change in rest):
        told[-1] += f" (and {more} more of the foreground)"
    return f"Audible: {'; '.join([*told, audible_words('all on average', *means)])}."


def _average_words(triples: list[TrackTriple]) -> str:
    """Whether the picture gets wider, nearer or deeper."""
    direct = sum(after.drr_db - before.drr_db for _, before, after in triples) / len(triples)
    early = sum(after.c80_db - before.c80_db for _, before, after in triples) / len(triples)
    seated = any(before.seat for _, before, _ in triples)
    side = sum(abs(b.lateral_deg) - abs(a.lateral_deg) for _, a, b in triples) / len(triples)
    sideways = f"{abs(side):.0f} degrees further {'out' if side > 0 else 'in'}"
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
        return f"Goes on from {mix_name(base)} with {more} step{'' if more == 1 else 's'} more."
    nearest, apart = min(
        ((other, _differences(mix, other)) for other in others),
        key=lambda found: sum(size for size, _ in found[1]),
    )
    told = [words for size, words in apart if size >= 1.0][:TOLD]
    if not told:
        return f"Much like {mix_name(nearest)}."
    return f"Nearest to {mix_name(nearest)}, but with {'; '.join(told)}."


def _share_words(result: Result, mix: Mix) -> str:
    """What part of the gain of the mix that gains most a mix of fewer moves reaches alone."""
    best = min(result.mixes, key=lambda one: float(one.cost), default=mix)
    before = result.reference.cost
    if best.rank == mix.rank or best.cost >= before:
        return ""
    share = 100.0 * (before - mix.cost) / (before - best.cost)
    count = len(best.moved)
    return (
        f"This mix reaches {share:.0f} % of what {mix_name(best)} gains by moving {count} tracks."
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
    sideways = "further left" if side < 0 else "further right"
    depth = depth_words(there, here)
    parts = [sideways if abs(side) >= HEARD_DEG else "", depth]
    return " and ".join(part for part in parts if part) or f"a little {sideways}"
