"""What the page shows first: what can now be heard, and the path as steps that can be played.

*Conventions*: HTML strings, every text of a cue escaped; shares of a layer from 0 to 1. A step of
the page is a step of the path; where a mix also places its microphones otherwise, that comes first.

`lead_words`: what a mix brings, in one sentence. `reference_note`: against what. `bars`: the layers
that carry the music before and after. `path_data`: the steps for the page's program.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from placer.result.facts import mix_name, pairs, percent
from placer.result.model import Mix, PathStep, Result
from placer.result.path_words import HIDDEN_BELOW, arrays_words
from placer.result.words import TOLD_POINTS, audible_words, points, set_words

MOST_NAMED = 3
"""Names in a label, and layers in the sentence at the top."""
FULL = (0.1, 0.25, 0.5, 1.0)
"""Audible shares that a whole bar may stand for."""
AUDIBLE = (
    "18 % audible means: 18 % of the layer stands above everything else that sounds, the rest is "
    "covered. A difference of about 3 points is heard (a matter of sense, no source)."
)
"""What an audible share is, and how much of it is heard."""
ARRAYS_KEY = "A"
"""Key of the step that places the microphones."""


def _foreground(result: Result, mix: Mix) -> list[tuple[int, str, float, float]]:
    """(number, name, before, after) of the layers that carry the music, the largest gain first."""
    found = [
        (index, track.name, before.audibility, after.audibility)
        for index, (track, before, after) in enumerate(pairs(result, mix))
        if track.foreground
    ]
    return sorted(found, key=lambda one: one[2] - one[3])


def names_words(names: Sequence[str]) -> str:
    """A few names, and how many more.

    Examples
    --------
    >>> names_words(["a", "b"]), names_words(["a", "b", "c", "d", "e"])
    ('a, b', 'a, b, c and 2 more')
    """
    more = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def lead_words(result: Result, mix: Mix) -> str:
    """What the moves of a mix bring, in one sentence."""
    steps = mix.steps
    if not steps:
        return "The cue as its cue file places it; nothing is moved."
    moved = [name for step in steps for name in step.tracks]
    count = f"{len(steps)} move{'s' if len(steps) > 1 else ''}"
    layers = _foreground(result, mix)
    clearer = [one for one in layers if points(one[2], one[3]) >= TOLD_POINTS]
    told = ", ".join(
        audible_words(name, before, after) for _, name, before, after in clearer[:MOST_NAMED]
    )
    of = f"of {len(moved)} tracks: " if len(moved) != len(steps) else ""
    words = f"{count} ({of}{names_words(moved)})"
    if not clearer:
        return f"{words}: no layer that carries the music gets clearer by {TOLD_POINTS} points."
    return (
        f"{words} make {len(clearer)} of {len(layers)} layers that carry the music clearer"
        f"{', most of all' if len(clearer) > MOST_NAMED else ''}: {told} audible."
    )


def reference_note(result: Result) -> str:
    """What the reference is, in one sentence."""
    kinds = {track.kind for track in result.tracks}
    told = ["recorded tracks in the blend of the cue file"] * ("recorded" in kinds)
    told += ["dry stems in their usual seats, or those of the cue file"] * ("dry" in kinds)
    return (
        f"The reference is the cue before any move: {'; '.join(told) or 'the files as they are'}."
    )


def _hiders(mix: Mix, index: int) -> str:
    """Who still hides a layer in the whole mix, as HTML."""
    track = mix.tracks[index]
    if not track.hidden_by or track.audibility >= HIDDEN_BELOW:
        return ""
    names = escape(" and ".join(track.hidden_by[:2]))
    return f'<span class="by">in the whole mix still hidden by {names}</span>'


def _change(before: float, after: float) -> str:
    """Audible share before and after, as the page's program writes it too."""
    was, now = (f"{percent(share)} %" for share in (before, after))
    return f"{now}, as before" if was == now else f"{was} to {now}"


def bars(result: Result, mix: Mix) -> str:
    """One bar for each layer that carries the music, as HTML."""
    layers = _foreground(result, mix)
    most = max((share for one in layers for share in one[2:]), default=0.0)
    full = next((step for step in FULL if most <= step), 1.0)
    rows = "".join(
        f'<li data-track="{index}" data-before="{before}" data-full="{full}">'
        f"<span>{escape(name)}</span>"
        f'<span class="gauge" aria-hidden="true"><i class="was" style="width:'
        f'{100.0 * before / full:.1f}%"></i><i class="now" style="width:'
        f'{100.0 * after / full:.1f}%"></i></span>'
        f'<span class="figures">{_change(before, after)}</span>{_hiders(mix, index)}</li>'
        for index, name, before, after in layers
    )
    name = mix_name(mix)
    return (
        f'<p class="small">How much of each layer that carries the music is audible: in the '
        f"reference (line) and with the moves heard (bar). {AUDIBLE} A whole bar is "
        f'{percent(full)} %.</p><ul class="layers" aria-label="Audible in {name}">{rows}</ul>'
    )


def _set_words(result: Result, mix: Mix, step: PathStep) -> str:
    """What to set in a step; where its tracks differ, that of the first and how many more."""
    words = [
        set_words(before, after)
        for track, before, after in pairs(result, mix)
        if track.name in step.tracks
    ]
    others = len(step.tracks) - 1
    same = len(set(words)) == 1
    return words[0] + ("" if same else f"; {others} more: see the sheet")


def path_data(
    result: Result, mix: Mix, changed: Sequence[int] | None
) -> dict[str, Sequence[Mapping[str, Any]]]:
    """The steps of a mix for the page's program.

    Parameters
    ----------
    result : Result
    mix : Mix
    changed : sequence of int or None
        Tracks that sound otherwise than in the reference, where their passages are at hand.

    Returns
    -------
    dict
        "items": each with "key", "label", "set" (what to set, in words), "tracks" (numbers) and
        "audible" ({number: share} of the layers that carry the music once it is made; None where
        that is not known).
    """
    number = {track.name: index for index, track in enumerate(result.tracks)}
    front = [name for name in number if result.tracks[number[name]].foreground]
    items: list[dict[str, Any]] = []
    stepped = {number[name] for step in mix.steps for name in step.tracks}
    others = sorted(set(changed or ()) - stepped)
    if others:
        heard = mix.microphones.audibility if mix.microphones else None
        items.append(
            {
                "key": ARRAYS_KEY,
                "label": "microphones",
                "set": arrays_words(mix),
                "tracks": others,
                "audible": heard and {str(number[name]): heard[name] for name in front},
            }
        )
    for count, step in enumerate(mix.steps, 1):
        items.append(
            {
                "key": str(count),
                "label": names_words(step.tracks),
                "set": _set_words(result, mix, step),
                "tracks": [number[name] for name in step.tracks],
                "audible": {str(number[name]): step.audibility[name] for name in front},
            }
        )
    return {"items": items}
