"""What a change of placement is in plain words.

*Conventions*: before and after are track entries of result.json; left is negative; nearer and
farther are seen from the conductor. Words name only what a person can set or hear.

`move_words`: one track. `mix_words`: a whole mix, against the reference and the other mixes.
"""

from __future__ import annotations

import math

from placer.result.facts import (
    Facts,
    change_size,
    changes,
    delay_ms,
    mix_label,
    pairs,
    pan_text,
    rounded,
    signed,
)

UNCHANGED = "leave as it is"
HEARD_DEG = 4.0
"""Change of side worth words, degrees; about four times the least that is heard in front of the
listener (Blauert, Spatial Hearing, 1997: localisation blur about 1 degree)."""
HEARD_DRR_DB = 2.0
"""Change of direct-to-reverberant ratio worth words, dB; the least that is heard is 2 to 3 dB in
the middle of the range (Larsen et al. 2008, J. Acoust. Soc. Am. 124, 450-461)."""

TOLD = 3
"""Tracks named where a mix is told from the one most like it."""


def move_words(reference_track: Facts, track: Facts) -> str:
    """What to do to one track, in one line.

    Parameters
    ----------
    reference_track, track : dict
        The track in the reference and in the mix.

    Returns
    -------
    str
        Such as "move 3.0 m to the left, 40 % closer; more close (+3 dB), less hall (-4 dB)".
    """
    altered = changes(reference_track, track)
    parts = [
        _seat_words(reference_track, track) if "seat" in altered else "",
        f"pan to {pan_text(track['pan'])}" if "pan" in altered else "",
        _blend_words(altered.get("blend", {})),
        _width_words(reference_track, track) if "width" in altered else "",
        _delay_words(track) if "delay" in altered else "",
    ]
    done = "; ".join(part for part in parts if part)
    if not done:
        return UNCHANGED
    heard = _heard_words(reference_track, track)
    return f"{done} (heard {heard})" if heard else done


def _seat_words(before: Facts, after: Facts) -> str:
    """Where a seat goes."""
    dx, dy = (b - a for a, b in zip(before["seat"], after["seat"], strict=True))
    old, new = math.hypot(*before["seat"]), math.hypot(*after["seat"])
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
            parts.append((99.0, f"{name} on at {signed(rounded(new, 0.5))} dB"))
        else:
            change = rounded(new - old, 0.5)
            parts.append(
                (change, f"{'more' if change > 0 else 'less'} {name} ({signed(change)} dB)")
            )
    return ", ".join(text for _, text in sorted(parts, key=lambda part: -part[0]))


def _width_words(before: Facts, after: Facts) -> str:
    """Whether the track gets wider or narrower."""
    way = "wider" if after["width"] > before["width"] else "narrower"
    return f"{way}: width {round(100 * after['width'])} %"


def _delay_words(after: Facts) -> str:
    """What to do with the delay of the close position."""
    delay = delay_ms(after)
    return f"delay close by {delay:.2f} ms" if delay >= 0.05 else "no delay on close"


def _heard_words(before: Facts, after: Facts) -> str:
    """What the ear gets of it."""
    side = after["lateral_deg"] - before["lateral_deg"]
    depth = after["drr_db"] - before["drr_db"]
    parts = []
    if abs(side) >= HEARD_DEG:
        parts.append(f"{abs(side):.0f} degrees further {'left' if side < 0 else 'right'}")
    if abs(depth) >= HEARD_DRR_DB:
        parts.append("nearer" if depth > 0 else "farther")
    return ", ".join(parts)


def mix_words(result: Facts, mix: Facts) -> str:
    """How a mix differs from the reference and from the other mixes of the run.

    Parameters
    ----------
    result : dict
        Contents of result.json; "mixes" may still lack some, which are then not compared.
    mix : dict
        One of its mixes, or the reference.
    """
    if mix["rank"] == 0:
        return "The cue as its cue file places it."
    triples = list(pairs(result, mix))
    moved = [three for three in triples if changes(three[1], three[2])]
    if not moved:
        return "No track differs from the reference."
    parts = [f"{len(moved)} of {len(triples)} tracks change."]
    parts.append(_most_changed(moved))
    parts.append(_spread_words(triples))
    parts.append(_audibility_words(triples))
    parts.append(_others_words(result, mix))
    return " ".join(part for part in parts if part)


def _most_changed(moved: list[tuple[Facts, Facts, Facts]]) -> str:
    """The two or three tracks that change most."""
    first = sorted(moved, key=lambda three: -change_size(three[1], three[2]))[:3]
    return f"Most of all: {'; '.join(track['name'] for track, _, _ in first)}."


def _spread_words(triples: list[tuple[Facts, Facts, Facts]]) -> str:
    """Whether the picture gets wider, nearer or deeper."""
    count = len(triples)
    side = sum(abs(b["lateral_deg"]) - abs(a["lateral_deg"]) for _, a, b in triples) / count
    depth = sum(b["drr_db"] - a["drr_db"] for _, a, b in triples) / count
    parts = []
    if abs(side) >= 1.0:
        parts.append(f"{abs(side):.0f} degrees further {'out' if side > 0 else 'in'}")
    if abs(depth) >= 0.5:
        parts.append(f"{abs(depth):.1f} dB {'nearer' if depth > 0 else 'farther'}")
    return f"A track on average is heard {' and '.join(parts)}." if parts else ""


def _audibility_words(triples: list[tuple[Facts, Facts, Facts]]) -> str:
    """Mean audibility and that of the most hidden quarter, before and after."""
    before = sorted(a["audibility"] for _, a, _ in triples)
    after = sorted(b["audibility"] for _, _, b in triples)
    quarter = max(1, len(before) // 4)
    means = [sum(values) / len(values) for values in (before, after)]
    worst = [sum(values[:quarter]) / quarter for values in (before, after)]
    return (
        f"Audibility {means[0]:.2f} to {means[1]:.2f} on average, "
        f"{worst[0]:.2f} to {worst[1]:.2f} in the most hidden quarter."
    )


def _others_words(result: Facts, mix: Facts) -> str:
    """Which other mix is most like this one, and the tracks that still tell them apart."""
    others = [other for other in result["mixes"] if other["rank"] not in (0, mix["rank"])]
    if not others:
        return ""
    nearest, apart = min(
        ((other, _differences(mix, other)) for other in others),
        key=lambda found: sum(size for size, _ in found[1]),
    )
    told = [words for size, words in apart if size >= 1.0][:TOLD]
    if not told:
        return f"Much like {mix_label(nearest)}."
    return f"Nearest to {mix_label(nearest)}, but with {'; '.join(told)}."


def _differences(mix: Facts, other: Facts) -> list[tuple[float, str]]:
    """How far each track lies from where another mix has it, in words too; the farthest first."""
    there = {track["name"]: track for track in other["tracks"]}
    found = []
    for track in mix["tracks"]:
        side = track["lateral_deg"] - there[track["name"]]["lateral_deg"]
        depth = track["drr_db"] - there[track["name"]]["drr_db"]
        size = abs(side) / (HEARD_DEG + 1.0) + abs(depth) / (HEARD_DRR_DB + 1.0)
        found.append((size, f"{track['name']} {_apart(side, depth)}"))
    return sorted(found, key=lambda one: -one[0])


def _apart(side: float, depth: float) -> str:
    """Where a track is against where another mix has it."""
    sideways = "further left" if side < 0 else "further right"
    inwards = "nearer" if depth > 0 else "farther away"
    parts = []
    if abs(side) >= HEARD_DEG:
        parts.append(sideways)
    if abs(depth) >= HEARD_DRR_DB:
        parts.append(inwards)
    if parts:
        return " and ".join(parts)
    more = sideways if abs(side) / HEARD_DEG > abs(depth) / HEARD_DRR_DB else inwards
    return f"a little {more}"
