"""The moves of the inner search.

*Conventions*: as in `landscape`. A move takes a state and its cost and returns new ones; the state
it was given is not changed. Limits and locks hold by construction: a move only ever picks options
that a catalogue holds, and locked tracks are not in `Walk.free`.

- `block_moves`: some tracks, all options of each screened at once, the best few measured;
- `settle`: block moves over a group of tracks until none helps;
- `kick`: a group of tracks moves together, each to one of its better options;
- `trade`: two tracks take one another's places.
"""

from __future__ import annotations

import numpy as np

from placer.search.walk import IntArray, Walk, lower

SCREEN_MOST = 400
"""Most options screened at once; beyond, a random subset."""

VERIFY = 2
"""Screened options that are measured in full before a track is left where it is."""

AT_ONCE = 0.1
"""Part of the free tracks that are screened from one state: what all of them need is worked out
once. At 120 tracks that takes as long as screening four of them."""

BETTER_PART = 0.25
"""A kicked track goes to one of this part of its options, the best by estimate."""

Place = tuple[IntArray, float]


def _options(walk: Walk, state: IntArray, track: int) -> IntArray:
    """Options of a track to screen, the present one first."""
    size = walk.landscape.sizes[track]
    if size <= SCREEN_MOST:
        options = np.arange(size)
    else:
        options = walk.rng.choice(size, SCREEN_MOST, replace=False)
    return np.concatenate(([state[track]], options[options != state[track]]))


def block_moves(walk: Walk, place: Place, tracks: IntArray) -> Place:
    """Take the best option of each of some tracks, if any is better in full.

    All are screened from the same state; whoever gains most by estimate goes first.
    """
    state = place[0]
    screened = []
    for number, track in enumerate(tracks):
        if number and walk.over():
            break
        options = _options(walk, state, int(track))
        estimate = walk.screen(state, int(track), options)
        best = [i for i in np.argsort(estimate, kind="stable")[:VERIFY] if i]
        better = [i for i in best if lower(estimate[i], estimate[0])]
        if better:
            gain = float(estimate[0] - estimate[better[0]])
            screened.append((gain, int(track), options[better]))
    for _, track, options in sorted(screened, key=lambda one: -one[0]):
        for option in options:
            moved = place[0].copy()
            moved[track] = option
            found = walk.measure(moved)
            if lower(found, place[1]):
                place = moved, found
                break
    return place


def settle(walk: Walk, place: Place, tracks: IntArray, *, passes: int | None = None) -> Place:
    """Move the tracks one after another until none gets better (or for some passes)."""
    at_once = max(1, round(AT_ONCE * len(walk.free)))
    unmoved = done = 0
    while unmoved < len(tracks) and not walk.over():
        if passes is not None and done >= passes:
            break
        order = walk.rng.permutation(tracks)
        for begin in range(0, len(order), at_once):
            if unmoved >= len(tracks) or walk.over():
                break
            group = order[begin : begin + at_once]
            moved = block_moves(walk, place, group)
            unmoved = 0 if moved is not place else unmoved + len(group)
            place = moved
        done += 1
    return place


def kick(walk: Walk, state: IntArray, tracks: IntArray) -> IntArray:
    """Send every track to a random one of its better options, as they are before any has moved."""
    kicked = state.copy()
    for track in tracks:
        options = _options(walk, state, int(track))[1:]
        estimate = walk.screen(state, int(track), options)
        good = max(1, round(BETTER_PART * len(options)))
        kicked[track] = options[np.argsort(estimate, kind="stable")[walk.rng.integers(good)]]
    return kicked


def trade(walk: Walk, state: IntArray, a: int, b: int) -> IntArray | None:
    """Two tracks take one another's places; None where they cannot."""
    to_a = walk.landscape.partner(b, int(state[b]), a)
    to_b = walk.landscape.partner(a, int(state[a]), b)
    if to_a is None or to_b is None:
        return None
    state = state.copy()
    state[a], state[b] = to_a, to_b
    return state
