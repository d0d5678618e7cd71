"""What gained most in a mix, and what is still hidden: for the result, the sheet and the page.

*Conventions*: a mix of result.json may hold "gains", greatest first: "name", "cost" (how much
dearer the mix is without that move), "terms" (the same by term), "audibility" (what the track
itself has through it), "others" (what other tracks win or lose by it), "breaks" (dB by which limits
would be missed without it).

`gain_records`: a scored mix -> "gains". `first_moves`: tracks to move first. `gained_lines`,
`hidden_lines`: what a person reads.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from placer.cost.scene import Sounding
from placer.cost.sensitivity import MoveGain, gains_by_sound
from placer.result.facts import Facts, change_size, pairs, signed
from placer.result.folder import finite
from placer.result.words import move_words
from placer.trial.scoring import ExactScorer, Scored

MOST_MOVES = 12
"""Moves that are put back one by one: those with most to hear."""

FIRST = 3
"""Moves to make first, and hidden tracks to name."""

LEAST_COST = 0.0005
"""Gain of a move worth naming; four digits are shown."""

LEAST_SHARE = 0.01
"""Change of another track's audibility worth naming."""

HIDDEN_BELOW = 0.5
"""Audibility below which a track counts as still hidden: its energy is at masked threshold."""

HIDING_SHARE = 0.05
"""Share of a track that another hides, from which on it is named."""


def gain_records(
    scorer: ExactScorer,
    scored: Scored,
    start: Sounding,
    records: tuple[Sequence[Facts], Sequence[Facts]],
) -> list[dict[str, Any]]:
    """What the moves of a mix gain, by its exact sound.

    Parameters
    ----------
    scorer : ExactScorer
        Of the mix.
    scored : Scored
    start : Sounding
        Of the reference, with every frame.
    records : (sequence of dict, sequence of dict)
        Track records of the reference and of the mix.

    Returns
    -------
    list of dict
        The greatest gain first; at most `MOST_MOVES`, none of the reference.
    """
    names = [track.name for track in scorer.material.cue.tracks]
    sizes = [change_size(before, after) for before, after in zip(*records, strict=True)]
    moved = sorted((i for i, size in enumerate(sizes) if size > 0.0), key=lambda i: -sizes[i])
    if not moved:
        return []
    now = scorer.sounding(scored.placements)
    gains = gains_by_sound(scorer.scene, now, start, sorted(moved[:MOST_MOVES]))
    return [_record(gain, names) for gain in gains]


def _record(gain: MoveGain, names: Sequence[str]) -> dict[str, Any]:
    others = sorted(
        (i for i, share in enumerate(gain.shares) if i != gain.track and abs(share) >= LEAST_SHARE),
        key=lambda i: -abs(gain.shares[i]),
    )
    return {
        "name": names[gain.track],
        "cost": finite(gain.cost),
        "terms": {name: finite(value) for name, value in gain.terms.items()},
        "audibility": finite(gain.shares[gain.track], 4),
        "others": {names[i]: finite(gain.shares[i], 4) for i in others[:FIRST]},
        "breaks": {name: finite(value, 3) for name, value in gain.broken.items()},
    }


def _worth(mix: Facts) -> list[Mapping[str, Any]]:
    """The moves that gain most."""
    gains = mix.get("gains", [])
    return [gain for gain in gains if gain["cost"] >= LEAST_COST][:FIRST]


def first_moves(mix: Facts) -> list[str]:
    """Names of the tracks to move first, at most three; none where it is not known."""
    return [gain["name"] for gain in _worth(mix)]


def gained_lines(result: Facts, mix: Facts) -> list[tuple[str, str]]:
    """(track, what its move is and gains) of the moves that gain most, the greatest first."""
    words = {
        track["name"]: move_words(before, after) for track, before, after in pairs(result, mix)
    }
    return [(gain["name"], f"{words[gain['name']]}. {_gain_words(gain)}") for gain in _worth(mix)]


def _gain_words(gain: Facts) -> str:
    """Cost gained, and what else changes by the move."""
    best = max(gain["terms"], key=lambda name: gain["terms"][name], default="")
    most = f", most of it in {best.replace('_', ' ')}" if best else ""
    parts = [
        f"Gains {gain['cost']:.4f} of cost{most}",
        f"own audibility {signed(gain['audibility'], 2)}",
    ]
    parts += [f"{name} {signed(share, 2)}" for name, share in gain["others"].items()]
    text = "; ".join(parts)
    if gain["breaks"]:
        broken = ", ".join(f"{name} by {value:.1f} dB" for name, value in gain["breaks"].items())
        text += f". Without it the mix would miss its limit on {broken}"
    return f"{text}."


def hidden_lines(result: Facts, mix: Facts) -> list[tuple[str, str]]:
    """(track, by whom and how much) of the most hidden tracks, the least audible first."""
    names = [track["name"] for track in result["tracks"]]
    heard = [track["audibility"] for track in mix["tracks"]]
    lines = []
    for index in sorted(range(len(names)), key=lambda i: heard[i]):
        row = mix["maskers"][index]
        order = sorted(range(len(names)), key=lambda i: -row[i])[:FIRST]
        by = [
            f"{'its own room' if i == index else names[i]} {100.0 * row[i]:.0f} %"
            for i in order
            if row[i] >= HIDING_SHARE
        ]
        if by and heard[index] < HIDDEN_BELOW:
            text = f"audible to {100.0 * heard[index]:.0f} %; hidden by {', '.join(by)}"
            lines.append((names[index], text))
    return lines[:FIRST]
