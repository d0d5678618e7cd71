"""The path to a mix: which moves, in which order, what each adds, and who is still hidden.

What a move adds is measured forward: the mix with all moves up to it, against the mix with all
moves before it, beginning at the reference. Moves that need one another form one step.

*Conventions*: a mix has a rung (its name), is nested where its path goes on from that of the mix
before, and its path has steps (`model.PathStep`). Audibilities are
shares, 0 to 1, and are shown in per cent.

`path_record`: a candidate's path, measured. `working_order`: all tracks in its order.
`track_numbers`: their numbers, the same on sheet, page and pictures. `file_number`: the same in
names of files. `step_words`, `step_effect`:
one step in words, and what it brings. `gain_share`: how much of the mix's gain is reached with a
step. `step_gains`: what one step brings, and that, in per cent.
`foreground_lines`: what each layer that carries the music was and is. `hidden_lines`: who is still
hidden, and by whom.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from string import ascii_lowercase

import numpy as np

from placer.result.facts import pairs
from placer.result.folder import finite
from placer.result.model import Mix, PathStep, Result, TrackTriple
from placer.result.words import audible_words, move_words
from placer.run.evaluator import Evaluator
from placer.run.trial import Candidate

FIRST = 3
"""Hidden tracks that are named, and tracks that a step frees."""

HIDDEN_BELOW = 0.5
"""Audibility below which a track counts as still hidden: its energy is at masked threshold."""

HIDING_SHARE = 0.05
"""Share of a track that another hides, from which on it is named."""

CLEARLY_LESS = 0.03
"""Share of a track that another must hide less to be named as what a move is for."""

REFERENCE, MOVES = "reference", "moves"
"""Folders of an export: what the reference is heard through, and what moves."""

TOGETHER = "Make these together: one alone would miss a limit or gain nothing."
ONE_CHANGE = "One change for all of these: they move as one, by their bus or group."


def path_record(evaluator: Evaluator, candidate: Candidate) -> tuple[PathStep, ...]:
    """The path of a candidate, every step measured on the mix that it makes.

    Parameters
    ----------
    evaluator : Evaluator
    candidate : Candidate

    Returns
    -------
    tuple of PathStep
    """
    arranged = evaluator.at(dict(candidate.shared))
    names = [track.name for track in evaluator.cue.tracks]
    mix = list(evaluator.starts)
    steps = []
    for tracks in candidate.steps:
        for index in tracks:
            mix[index] = candidate.placements[index]
        cost = evaluator.breakdown(arranged, mix)
        heard = cost.heard.share
        steps.append(
            PathStep(
                tracks=tuple(names[index] for index in tracks),
                cost=finite(cost.total),
                audibility={
                    name: finite(float(share), 4) for name, share in zip(names, heard, strict=True)
                },
            )
        )
    return tuple(steps)


def gain_share(result: Result, mix: Mix, number: int) -> float:
    """Part of the mix's whole gain that is reached after so many steps, 0 to 1."""
    before, after = result.reference.cost, mix.cost
    if number == 0 or after >= before:
        return 0.0
    return (before - mix.steps[number - 1].cost) / (before - after)


def step_gains(result: Result, mix: Mix, number: int) -> tuple[int, int]:
    """What a step (counted from 1) brings of the mix's whole gain, and what is reached with it.

    Returns
    -------
    (int, int)
        Per cent; what all steps bring adds up to what is reached.
    """
    before, after = (round(100.0 * gain_share(result, mix, one)) for one in (number - 1, number))
    return after - before, after


def working_order(result: Result, mix: Mix) -> list[TrackTriple]:
    """Tracks as (description, before, after) in the order of the path, unmoved ones last."""
    order = mix.moved
    place = {name: number for number, name in enumerate(order)}
    return sorted(pairs(result, mix), key=lambda one: place.get(one[0].name, len(order)))


def track_numbers(result: Result, mix: Mix) -> dict[str, str]:
    """Number of every track of a mix: that of its step, with a letter where several move together.

    Tracks that no step moves are counted on, in the cue's order.

    Returns
    -------
    dict
        {name: number}, such as "1" or "2b", in working order.
    """
    found: dict[str, str] = {}
    more = len(mix.steps)
    for number, step in enumerate(mix.steps, 1):
        for index, name in enumerate(step.tracks):
            found[name] = f"{number}{_letters(index) if len(step.tracks) > 1 else ''}"
    for track in result.tracks:
        if track.name not in found:
            more += 1
            found[track.name] = str(more)
    return found


def file_number(number: str) -> str:
    """The number of a track's move as names of files begin, so that they sort in order.

    Examples
    --------
    >>> file_number("2"), file_number("2b"), file_number("11")
    ('02', '02b', '11')
    """
    return re.sub(r"\d+", lambda found: found[0].zfill(2), number)


def _letters(index: int) -> str:
    """Letters that count: a to z, aa, ab and so on."""
    last = ascii_lowercase[index % 26]
    return _letters(index // 26 - 1) + last if index >= 26 else last


def step_words(result: Result, mix: Mix, number: int) -> list[tuple[str, str]]:
    """What to do in one step (counted from 1): (number and name of a track, the move)."""
    numbers = track_numbers(result, mix)
    words = {track.name: move_words(before, after) for track, before, after in pairs(result, mix)}
    names = mix.steps[number - 1].tracks
    return [(f"{numbers[name]} {name}", words[name]) for name in names]


def together_words(result: Result, mix: Mix, number: int) -> str:
    """Why the tracks of a step (counted from 1) go together; "" where it is one track."""
    names = mix.steps[number - 1].tracks
    if len(names) < 2:
        return ""
    heads = [track for track in result.tracks if track.name in names]
    units = {track.bus or track.group for track in heads}
    return ONE_CHANGE if len(units) == 1 and "" not in units else TOGETHER


def step_effect(result: Result, mix: Mix, number: int) -> str:
    """Whom a step (counted from 1) frees, and how far the path has come with it."""
    before = _audible(result, mix, number - 1)
    after = _audible(result, mix, number)
    order = sorted(after, key=lambda name: before[name] - after[name])
    change = {name: round(100.0 * after[name]) - round(100.0 * before[name]) for name in after}
    freed = [name for name in order if change[name] > 0][:FIRST]
    lost = [name for name in reversed(order) if change[name] < 0][:1]
    told = [audible_words(name, before[name], after[name]) for name in [*freed, *lost]]
    own, so_far = step_gains(result, mix, number)
    reached = f"This move brings {own} % of the whole gain, so far {so_far} %."
    heard = [f"Audible: {'; '.join(told)}."] if told else []
    return " ".join([*heard, *_apart(result, mix, number), reached])


def _apart(result: Result, mix: Mix, number: int) -> list[str]:
    """Which layer hides another less in the whole mix because a track of a step has moved."""
    names = result.names
    moved = [names.index(name) for name in mix.steps[number - 1].tracks]
    before, after = (np.array(one.maskers) for one in (result.reference, mix))
    less = before - after
    np.fill_diagonal(less, 0.0)
    here = np.zeros_like(less, dtype=bool)
    here[moved], here[:, moved] = True, True
    hidden, by = np.unravel_index(int(np.argmax(np.where(here, less, 0.0))), less.shape)
    if less[hidden, by] < CLEARLY_LESS:
        return []
    was, now = (100.0 * float(one[hidden, by]) for one in (before, after))
    told = f"{was:.0f} % of {names[hidden]} in the reference, {now:.0f} % in the whole mix"
    return [f"Hidden by {names[by]}: {told}."]


def _audible(result: Result, mix: Mix, number: int) -> Mapping[str, float]:
    """Audibility of every track after so many steps."""
    if number:
        return mix.steps[number - 1].audibility
    return {track.name: track.audibility for track in result.reference.tracks}


def foreground_lines(result: Result, mix: Mix) -> list[tuple[str, str]]:
    """(track, what part of it is heard in the reference and in the mix) of the foreground."""
    lines = []
    for track, before, after in pairs(result, mix):
        if track.foreground:
            was, now = 100.0 * before.audibility, 100.0 * after.audibility
            by = f"; still hidden by {', '.join(after.hidden_by[:2])}" * bool(
                after.hidden_by and after.audibility < HIDDEN_BELOW
            )
            heard = f"{was:.0f} to {now:.0f} %" if round(was) != round(now) else f"{now:.0f} %"
            lines.append((track.name, f"{heard} audible{by}"))
    return lines


def hidden_lines(result: Result, mix: Mix) -> list[tuple[str, str]]:
    """(track, by whom and how much) of the most hidden tracks, the least audible first."""
    names = result.names
    heard = [track.audibility for track in mix.tracks]
    lines = []
    for index in sorted(range(len(names)), key=lambda i: heard[i]):
        row = mix.maskers[index]
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
