"""How a mix is made in the session, action by action: the reference, then one move after another.

*Conventions*: faders in dB, behind the convolution of dry tracks, such that a track of the
reference is as loud as its dry stem; the gain of the whole mix is on the master alone.

`Action`: one of them. `actions_of`: all, in order. `HOW`: how to load a response.

Sources
-------
A send that is heard wholly wet needs no dry path beside it: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from placer.result.export.response_files import CEILING_DBTP, POSITIONS, REFERENCE, Exported, Loaded
from placer.result.facts import gain_text, pan_text, signed
from placer.result.model import Mix, PlacedTrack, Result
from placer.result.moves_sheet import inside_of, settings_of
from placer.result.path_words import step_effect, together_words, track_numbers, working_order

HOW = (
    "A dry stem is heard through the response of its place: put a convolution reverb on its track, "
    "wholly wet, the dry sound off, no further delay, no level matching; load the response and set "
    "the fader behind it. Far below 0 is usual, because responses are loud files (true peak up to "
    f"{CEILING_DBTP:g} dBTP). Seat, side, pan, width and time alignment are in the response: leave "
    "the pan of a dry track in the middle and its width alone, here and in every move. Load either "
    "the one response of the whole place, or one response for each microphone position (in the "
    f"folders {POSITIONS}) beside one another, each with its own fader. A stereo stem has two "
    "files for each response: feed its left channel to the one and its right channel to the other "
    "and add."
)
STAY = (
    "These tracks do not move, but this mix sets its microphones otherwise, so they are heard "
    "otherwise too."
)


@dataclass(frozen=True, slots=True)
class Action:
    """One thing to do in the session.

    Attributes
    ----------
    title : what it is
    words : how to do it, and how to hear whether it is done
    tracks : (name of a track, what to do to it, line by line)
    step : number of the step of the path, from 1; 0 where it is none
    """

    title: str
    words: str
    tracks: tuple[tuple[str, tuple[str, ...]], ...] = ()
    step: int = 0


def actions_of(result: Result, mix: Mix, found: Sequence[Exported]) -> list[Action]:
    """Say what to do, from an empty session to the whole mix.

    Parameters
    ----------
    result : Result
    mix : Mix
    found : sequence of Exported
        Responses of dry tracks; empty where there are none.

    Returns
    -------
    list of Action
        The reference, microphones where they alone change a track, each step, and the level.
    """
    known = {one.name: one for one in found}
    triples = {after.name: (before, after) for _, before, after in working_order(result, mix)}
    rate = result.sample_rate
    actions = [_reference(result, mix, known)]
    stepped = {name for step in mix.steps for name in step.tracks}
    others = [one for one in found if one.moves and one.name not in stepped]
    if others:
        lines = tuple((one.name, _exchange(one)) for one in others)
        actions.append(Action("The microphones", STAY, lines))
    for number, step in enumerate(mix.steps, 1):
        tracks = tuple((name, _move(known, name, *triples[name], rate)) for name in step.tracks)
        words = f"{together_words(result, mix, number)} {step_effect(result, mix, number)}".strip()
        actions.append(Action(f"Move {number}", words, tracks, number))
    if mix.rank:
        actions.append(Action("The level of the whole", _level(result, mix)))
    return actions


def labelled(result: Result, mix: Mix, action: Action) -> list[tuple[str, tuple[str, ...]]]:
    """Tracks of an action with the numbers that they have everywhere."""
    numbers = track_numbers(result, mix)
    return [(f"{numbers[name]} {name}".strip(), lines) for name, lines in action.tracks]


def _reference(result: Result, mix: Mix, known: Mapping[str, Exported]) -> Action:
    """What every track loads and how it is set before any move."""
    gain = signed(result.reference.gain_db, 2)
    words = [
        HOW if known else "",
        f"Set the master to {gain} dB and the tracks as follows; then compare with "
        f"{result.reference.file} in the folder of the run: both sound alike and are equally "
        "loud. Every move begins here and goes on from the moves before it. The reference is the "
        "same in every export of a run: set it up once.",
    ]
    tracks = tuple(
        (before.name, _setup(known.get(before.name), before))
        for _, before, _ in working_order(result, mix)
    )
    return Action("Set up the reference", " ".join(filter(None, words)), tracks)


def _setup(one: Exported | None, before: PlacedTrack) -> tuple[str, ...]:
    """What one track is in the reference."""
    if one is not None:
        state = one.before
        return (
            f"{_files(state)}: fader {signed(state.fader_db, 2)} dB",
            f"or by position, from responses/{REFERENCE}/{POSITIONS}: {', '.join(_faders(state))}",
        )
    if not before.blend_db:
        return ("as its file is: fader 0 dB",)
    gains = ", ".join(f"{name} {gain_text(gain)}" for name, gain in before.blend_db.items())
    width = round(100 * before.width)
    return (f"{gains}; pan {pan_text(before.pan)}, width {width} %, fader 0 dB",)


def _files(state: Loaded) -> str:
    """Files of the whole, as they are called from the export's folder."""
    return " and ".join(f"responses/{file}" for file in state.files)


def _faders(state: Loaded) -> list[str]:
    """Fader of each position."""
    return [f"{name} {_gain(gain)}" for name, gain in state.faders_db.items()]


def _gain(gain: float | None) -> str:
    """A fader, or off."""
    return "off" if gain is None else f"{signed(gain, 2)} dB"


def _move(
    known: Mapping[str, Exported], name: str, before: PlacedTrack, after: PlacedTrack, rate: int
) -> tuple[str, ...]:
    """What a move does to one track."""
    if name not in known:
        return tuple(one.line for one in settings_of(before, after, rate))
    inside = "; ".join(one.line for one in inside_of(before, after, rate))
    told = (f"already in the response, not to be set: {inside}",) if inside else ()
    return (*_exchange(known[name]), *told)


def _exchange(one: Exported) -> tuple[str, str]:
    """Which response replaces which, and from where to where the faders go."""
    before, after = one.before, one.after
    fader = _way("fader", before.fader_db, after.fader_db)
    whole = (
        f"the response stays; {fader}"
        if before.files == after.files
        else f"load {_files(after)} instead of {_files(before)}; {fader}"
    )
    new = [name for name, files in after.positions.items() if files != before.positions[name]]
    old = [name for name in after.positions if name not in new]
    load = (
        f"load {', '.join(new)} from responses/{POSITIONS} instead of "
        f"responses/{REFERENCE}/{POSITIONS}" * bool(new)
    )
    stay = f"the {'response' if len(old) == 1 else 'responses'} of {', '.join(old)} stay" * bool(
        old
    )
    stay += "s" * (len(old) == 1)
    faders = ", ".join(
        _way(name, gain, after.faders_db[name]) for name, gain in before.faders_db.items()
    )
    parts = "; ".join(filter(None, [load, stay, f"faders: {faders}"]))
    return whole, f"or by position: {parts}"


def _way(name: str, before: float | None, after: float | None) -> str:
    """From where to where a fader goes."""
    old, new = _gain(before), _gain(after)
    return f"{name} stays at {old}" if old == new else f"{name} from {old} to {new}"


def _level(result: Result, mix: Mix) -> str:
    """The master, which alone tells the level of the mix from that of the reference."""
    old, new = (signed(one.gain_db, 2) for one in (result.reference, mix))
    way = f"The master stays at {old} dB" if old == new else f"Master from {old} dB to {new} dB"
    return (
        f"{way}; then compare with {mix.file} in the folder of the run: both sound alike and "
        "are equally loud. Whoever stops after some of the moves leaves the master alone."
    )
