"""The path to a mix: which moves, in which order, what each adds, and who is still hidden.

What a move adds is measured forward: the mix with all moves up to it, against the mix with all
moves before it, beginning at the reference. Moves that need one another form one step. Where a mix
has other microphone arrays than the reference, these are set before the first move, and what they
bring is told apart.

*Conventions*: a mix has a rung (its name), is nested where its path goes on from that of the mix
before, and its path has steps (`model.PathStep`). Audibilities are
shares, 0 to 1, and are shown in per cent.

`path_record`: a candidate's path, measured. `microphones_record`: what its microphone arrays bring
before it. `freed_by`: what one step alone frees, and from whom.
`working_order`: all tracks in its order. `track_numbers`: numbers of those that move, the same on
sheet, page and pictures. `file_number`: the same in names of files. `step_words`, `step_effect`:
one step in words, and what it brings. `gain_share`: how much of the mix's improvement is reached
with a step. `step_gains`: what one step brings, and that, in per cent. `microphones_words`: what
to set of the arrays.
`hidden_lines`: who is still hidden, and by whom.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from string import ascii_lowercase

import numpy as np
from msgspec.structs import replace

from placer.cost.objective import Cost
from placer.cost.scene import BoolArray
from placer.result.facts import pairs, percent
from placer.result.folder import finite
from placer.result.model import Freed, Mix, PathStep, Result, TrackTriple
from placer.result.words import HEARD_POINTS, TOLD_POINTS, audible_words, move_words, points
from placer.run.evaluator import Evaluator
from placer.run.trial import Candidate
from sim.decibel import FloatArray

FIRST = 3
"""Hidden tracks that are named, and tracks that a step frees."""

HIDDEN_BELOW = 0.5
"""Audibility below which a track counts as still hidden: its energy is at masked threshold."""

HIDING_SHARE = 0.05
"""Share of a track that another hides, from which on it is named."""

CLEARLY_LESS = 0.03
"""Share of a track that another must hide less to be named as what a move is for."""

A_LITTLE_LESS = 0.01
"""The same where no track is hidden clearly less."""

REFERENCE, MOVES = "reference", "moves"
"""Folders of an export: what the reference is heard through, and what moves."""

ANOTHER_TRY = "; what you refused of this track was another place"
TOGETHER = "These moves belong together: one alone would miss a limit or gain nothing."
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
    scene = evaluator.scene
    matters = scene.share + scene.foreground_share, scene.foreground
    names = [track.name for track in evaluator.cue.tracks]
    mix = list(evaluator.starts)
    hid = evaluator.breakdown(arranged, mix).heard.hides
    steps = []
    for tracks in candidate.steps:
        for index in tracks:
            mix[index] = candidate.placements[index]
        cost = evaluator.breakdown(arranged, mix)
        freed = freed_by(tracks, (hid, cost.heard.hides), matters)
        hid = cost.heard.hides
        step = _measured(names, cost)
        steps.append(
            replace(
                step,
                tracks=tuple(names[index] for index in tracks),
                freed=tuple(
                    Freed(
                        layer=names[layer],
                        by=names[by],
                        before=finite(min(1.0, before), 4),
                        after=finite(min(1.0, after), 4),
                    )
                    for layer, by, before, after in freed
                ),
            )
        )
    return tuple(steps)


def microphones_record(evaluator: Evaluator, candidate: Candidate) -> PathStep | None:
    """What the microphone arrays of a candidate bring while every track is where it was.

    Parameters
    ----------
    evaluator : Evaluator
    candidate : Candidate

    Returns
    -------
    PathStep or None
        Without tracks; None where the arrays are those of the reference.
    """
    arranged = evaluator.at(dict(candidate.shared))
    if arranged is evaluator.own:
        return None
    names = [track.name for track in evaluator.cue.tracks]
    return _measured(names, evaluator.breakdown(arranged, evaluator.starts))


def _measured(names: Sequence[str], cost: Cost) -> PathStep:
    """Cost and audibilities of a mix as a step that moves nothing."""
    shares = zip(names, cost.heard.share, strict=True)
    return PathStep(
        tracks=(),
        cost=finite(cost.total),
        audibility={name: finite(float(share), 4) for name, share in shares},
    )


def freed_by(
    moved: Sequence[int],
    hides: tuple[FloatArray, FloatArray],
    matters: tuple[FloatArray, BoolArray],
) -> list[tuple[int, int, float, float]]:
    """What a step alone frees: of what it moves, and from what it moves.

    Parameters
    ----------
    moved : sequence of int
        Tracks that the step moves.
    hides : (T, T) FloatArray before the step, and after it
        Share of the row's track that the column's hides; own late energy on the diagonal.
    matters : (T,) FloatArray and (T,) BoolArray
        How much each track matters, and whether it carries the music.

    Returns
    -------
    list of (layer, by, before, after)
        At most one track that a moved one hides clearly less, and one moved track that another
        hides clearly less; where there is neither, the one pair that is told apart best. Layers
        that carry the music come first, then the fall times what the layer matters; nothing twice.
    """
    before, after = hides
    weight, front = matters
    fall = before - after
    np.fill_diagonal(fall, 0.0)
    here = np.zeros(len(weight), dtype=bool)
    here[list(moved)] = True
    found = set[tuple[int, int]]()
    both = np.broadcast_to(here, fall.shape), np.broadcast_to(here[:, None], fall.shape)

    def add(clear: BoolArray) -> None:
        clear = clear & front[:, None] if (clear & front[:, None]).any() else clear
        if clear.any():
            value = np.where(clear, fall * weight[:, None], -1.0)
            layer, by = np.unravel_index(int(np.argmax(value)), fall.shape)
            found.add((int(layer), int(by)))

    for mine in both:
        add(mine & (fall >= CLEARLY_LESS))
    if not found:  # a move has a reason, if a small one
        add((both[0] | both[1]) & (fall >= A_LITTLE_LESS))
    order = sorted(found, key=lambda one: (not front[one[0]], -fall[one] * weight[one[0]]))
    return [(*one, float(before[one]), float(after[one])) for one in order]


def gain_share(result: Result, mix: Mix, number: int) -> float:
    """Part of the mix's whole improvement that is reached after so many steps.

    Up to 1; after none it is what the microphone arrays bring, which may be less than nothing.
    """
    before, after = result.reference.cost, mix.cost
    reached = mix.steps[number - 1] if number else mix.microphones
    if reached is None or after >= before:
        return 0.0
    return (before - reached.cost) / (before - after)


def step_gains(result: Result, mix: Mix, number: int) -> tuple[int, int]:
    """What a step (counted from 1) brings of the mix's improvement, and what is reached with it.

    Returns
    -------
    (int, int)
        Per cent; what all steps bring adds up to what is reached.
    """
    before, after = (percent(gain_share(result, mix, one)) for one in (number - 1, number))
    return after - before, after


def working_order(result: Result, mix: Mix) -> list[TrackTriple]:
    """Tracks as (description, before, after) in the order of the path, unmoved ones last."""
    order = mix.moved
    place = {name: number for number, name in enumerate(order)}
    return sorted(pairs(result, mix), key=lambda one: place.get(one[0].name, len(order)))


def track_numbers(result: Result, mix: Mix) -> dict[str, str]:
    """Number of every track that moves: of its step, with a letter where several move together.

    Returns
    -------
    dict
        {name: number}, such as "1" or "2b", in working order; "" of tracks that no step moves.
    """
    found: dict[str, str] = {}
    for number, step in enumerate(mix.steps, 1):
        for index, name in enumerate(step.tracks):
            found[name] = f"{number}{_letters(index) if len(step.tracks) > 1 else ''}"
    return found | {name: "" for name in result.names if name not in found}


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
    again = {one.name for one in result.refused} - {one.name for one in result.kept}
    return [
        (f"{numbers[name]} {name}", words[name] + (ANOTHER_TRY if name in again else ""))
        for name in names
    ]


def together_words(result: Result, mix: Mix, number: int) -> str:
    """Why the tracks of a step (counted from 1) go together; "" where it is one track."""
    names = mix.steps[number - 1].tracks
    if len(names) < 2:
        return ""
    heads = [track for track in result.tracks if track.name in names]
    units = {track.bus or track.group for track in heads}
    return ONE_CHANGE if len(units) == 1 and "" not in units else TOGETHER


def step_effect(result: Result, mix: Mix, number: int) -> str:
    """Whom a step (counted from 1) frees, from whom, and how far the path has come with it.

    What is told of a step is its own: the mix with it against the mix just before it.
    """
    freed = [_freed_words(one) for one in mix.steps[number - 1].freed]
    hides = [f"{'; '.join(freed)}."] if freed else []
    who = "These moves bring" if len(mix.steps[number - 1].tracks) > 1 else "This move brings"
    heard = _audible_words(_audible(result, mix, number - 1), _audible(result, mix, number))
    return " ".join([*heard, *hides, f"{who} {_part_of_mix(*step_gains(result, mix, number))}"])


def arrays_words(mix: Mix) -> str:
    """What to set of the microphone arrays of a mix, in m."""
    return ", ".join(f"{name} {value:g} m" for name, value in mix.shared.items())


def microphones_words(result: Result, mix: Mix) -> str:
    """What to set of the microphone arrays before the first move, and what it brings; "" if not."""
    if mix.microphones is None:
        return ""
    own = arrays_words(mix)
    reference = {track.name: track.audibility for track in result.reference.tracks}
    heard = _audible_words(reference, mix.microphones.audibility)
    share = gain_share(result, mix, 0)
    brings = (
        f"This brings {percent(share)} % of this mix's improvement."
        if percent(share) > 0
        else "By itself this brings nothing; the moves need it."
    )
    return " ".join([f"Before move 1, the microphones of all dry tracks: {own}.", *heard, brings])


def _audible_words(before: Mapping[str, float], after: Mapping[str, float]) -> list[str]:
    """The layers that get clearer, and the one that loses most; empty where none differs."""
    order = sorted(after, key=lambda name: before[name] - after[name])
    change = {name: points(before[name], after[name]) for name in after}
    clearer = [name for name in order if change[name] >= TOLD_POINTS][:FIRST]
    lost = [name for name in reversed(order) if change[name] <= -TOLD_POINTS][:1]
    told = [audible_words(name, before[name], after[name]) for name in [*clearer, *lost]]
    hardly = max((abs(change[name]) for name in [*clearer, *lost]), default=0) < HEARD_POINTS
    return [f"Audible{', a difference hardly heard' * hardly}: {'; '.join(told)}."] if told else []


def _freed_words(freed: Freed) -> str:
    """Who hid a layer just before a step, and how much is left of it."""
    was, now = percent(freed.before), percent(freed.after)
    return f"{freed.by} hid {was} % of {freed.layer}, now {now} %"


def _part_of_mix(own: int, so_far: int) -> str:
    """What part of a mix's improvement a step brings, and what is reached with it; per cent."""
    brings = f"{own} %" if own > 0 else "next to nothing"
    reached = f"; with all moves up to here {so_far} %" if so_far != own else ""
    return f"{brings} of this mix's improvement{reached}."


def _audible(result: Result, mix: Mix, number: int) -> Mapping[str, float]:
    """Audibility of every track after so many steps."""
    reached = mix.steps[number - 1] if number else mix.microphones
    if reached is not None:
        return reached.audibility
    return {track.name: track.audibility for track in result.reference.tracks}


def hidden_lines(result: Result, mix: Mix) -> list[tuple[str, str]]:
    """(track, by whom and how much) of the most hidden tracks, the least audible first."""
    names = result.names
    heard = [track.audibility for track in mix.tracks]
    lines = []
    for index in sorted(range(len(names)), key=lambda i: heard[i]):
        row = mix.maskers[index]
        order = sorted(range(len(names)), key=lambda i: -row[i])[:FIRST]
        by = [
            f"{'its own room' if i == index else names[i]} {percent(row[i])} %"
            for i in order
            if row[i] >= HIDING_SHARE
        ]
        if by and heard[index] < HIDDEN_BELOW:
            text = f"{percent(heard[index])} % audible; hidden by {', '.join(by)}"
            lines.append((names[index], text))
    return lines[:FIRST]
