"""How a mix is made in the session, action by action: the reference, then one move after another.

*Conventions*: faders in dB; those of dry tracks stay where they are, because a response holds all
gains of its track. The gain of the whole mix is on the master alone. Actions have the numbers of
the path: those of moves, and of the files of moves.

`Action`: one of them. `actions_of`: all, in order. `labelled`: its tracks with their numbers.
`by_position`: the same mix with a fader for each microphone position of a dry track.

Sources
-------
A send that is heard wholly wet needs no dry path beside it: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from placer.placement.layout import FAR_NAMES
from placer.result.export.response_files import MICROPHONES, POSITIONS, Exported, Files, Loaded
from placer.result.facts import delay_samples, gain_text, pan_text, signed
from placer.result.model import Mix, PlacedTrack, Result, TrackTriple
from placer.result.moves_sheet import GROUPS, settings_of
from placer.result.path_words import (
    MOVES,
    REFERENCE,
    microphones_words,
    step_effect,
    together_words,
    track_numbers,
    working_order,
)
from placer.result.words import UNCHANGED, heard_words, move_words

ORDER = "Work from top to bottom. After every move the mix is complete, so you can stop there."
STEMS = (
    "Put every stem on a track of its own: fader at 0 dB, pan in the middle, no effects, none on "
    "the master. Or take your own session as it was when you exported the stems."
)
REVERB = (
    "On every dry track{others}, put a convolution reverb as the last effect, and load the file "
    f"from responses/{REFERENCE} that has the name of the track. Set the reverb to 100 % wet, no "
    "dry sound, no pre-delay and no automatic level. The file holds the side, the depth and the "
    "level of the track: set nothing else. It is 32-bit float: values above full scale are "
    "correct and are not clipped, so do not normalise it."
)
OTHERS = " (every track that is not named below)"
TWO_FILES = (
    "A stereo stem has two files, for two reverbs side by side: its left channel goes through the "
    "file that ends in from-left, its right channel through the file that ends in from-right, and "
    "both are added."
)
DIRECT = "These tracks play as their files are, without a reverb: {names}."
RECORDED = (
    "Every recorded track has one fader for each microphone position, and one for the whole track "
    "behind them (make-up), at 0 dB. Set them as listed. A pan that is not listed is in the "
    "middle, a width that is not listed is 100 %. The pan has constant power: 0 dB on both sides "
    "in the middle, +3 dB on one side at 100 %; a mono file in the middle plays at -3 dB on both."
)
FAR = " Do not pan {names}: leave it in the middle, unless the track has no other position."
CHECK = (
    "Check: turn your listening level down, set the master to {gain} dB and play. It must sound "
    "like {file} in the folder of the run, and just as loud."
)
WRONG_LEVEL = "If a track is too loud or too soft, its reverb changes the level: switch that off."
ONCE = "All exports of this run have the same reference: set it up once."
OTHER_MICROPHONES = (
    "This mix has its microphones at other places. That changes these tracks too, although they "
    "do not move."
)
STAYS = "leave the fader as it is"


@dataclass(frozen=True, slots=True)
class Action:
    """One thing to do in the session; after it there is a whole mix.

    Attributes
    ----------
    title, name : which it is, and what of
    words : paragraphs
    tracks : (name of a track, what to do to it, line by line)
    end : paragraphs after them
    step : number of the step of the path, from 1; 0 where it is none
    """

    title: str
    name: str
    words: tuple[str, ...] = ()
    tracks: tuple[tuple[str, tuple[str, ...]], ...] = ()
    end: tuple[str, ...] = ()
    step: int = 0

    @property
    def alone(self) -> bool:
        """Whether its title names its one track."""
        return self.step > 0 and len(self.tracks) == 1


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
    order = working_order(result, mix)
    triples = {after.name: (before, after) for _, before, after in order}
    actions = [_reference(result, order, found)]
    others = [one for one in found if one.moves and one.name not in mix.moved]
    if others:
        lines = tuple((one.name, (_load(one),)) for one in others)
        actions.append(
            Action(
                "Microphones",
                "Tracks that do not move",
                tuple(filter(None, (OTHER_MICROPHONES, microphones_words(result, mix)))),
                lines,
            )
        )
    numbers = track_numbers(result, mix)
    for number, step in enumerate(mix.steps, 1):
        why = together_words(result, mix, number)
        tracks = tuple(
            (name, _move(known.get(name), *triples[name], numbers[name], result.sample_rate))
            for name in step.tracks
        )
        alone = len(tracks) == 1
        heard = [one for name in step.tracks for one in _heard(*triples[name], alone=alone)]
        end = " ".join([*heard, step_effect(result, mix, number)])
        actions.append(
            Action(
                f"Move {number}", ", ".join(step.tracks), (why,) * bool(why), tracks,
                (end,), number,
            )
        )  # fmt: skip
    if mix.rank:
        actions.append(Action("End", "All moves are made", (_check(mix),)))
    return actions


def labelled(result: Result, mix: Mix, action: Action) -> list[tuple[str, tuple[str, ...]]]:
    """Tracks of an action, in moves with the numbers that they have everywhere."""
    numbers = track_numbers(result, mix) if action.step else {}
    return [(f"{numbers.get(name, '')} {name}".strip(), lines) for name, lines in action.tracks]


def _reference(result: Result, order: Sequence[TrackTriple], found: Sequence[Exported]) -> Action:
    """What every track loads and how it is set before any move."""
    named: dict[str, list[str]] = {"recorded": [], "direct": [], "dry": []}
    for track, *_ in order:
        named[track.kind].append(track.name)
    words = [STEMS]
    if found:
        others = OTHERS * bool(named["recorded"] or named["direct"])
        words.append(REVERB.format(others=others))
        words += [TWO_FILES] * any(len(one.before.files) > 1 for one in found)
    if named["direct"]:
        words.append(DIRECT.format(names=", ".join(named["direct"])))
    recorded = [(track, before) for track, before, _ in order if track.kind == "recorded"]
    if recorded:
        every = dict.fromkeys(position for track, _ in recorded for position in track.positions)
        far = " or ".join(position for position in every if position.lower() in FAR_NAMES)
        words.append(RECORDED + FAR.format(names=far) * bool(far))
    tracks = tuple((track.name, (_setup(one, result.sample_rate),)) for track, one in recorded)
    end = " ".join([_check(result.reference), *[WRONG_LEVEL] * bool(found), ONCE])
    return Action("Start", "Set up the reference", tuple(words), tracks, (end,))


def _check(mix: Mix) -> str:
    """Hear whether it is right."""
    return CHECK.format(gain=signed(mix.gain_db, 2), file=mix.file)


def _setup(before: PlacedTrack, sample_rate: int) -> str:
    """What one recorded track is in the reference."""
    told = [", ".join(f"{name} {gain_text(gain)}" for name, gain in before.blend_db.items())]
    if (pan := pan_text(before.pan)) != "centre":
        told.append(f"pan {pan}")
    if (width := round(100 * before.width)) != 100:
        told.append(f"width {width} %")
    if delay := delay_samples(before, sample_rate):
        told.append(f"delay of {next(iter(before.blend_db))} {delay} samples")
    return "; ".join(told)


def _files(files: Files) -> str:
    """Files as they are called from the export's folder."""
    return " and ".join(f"responses/{file}" for file in files)


def _load(one: Exported) -> str:
    """Which response replaces that of the reference."""
    if not one.moves:
        return f"keep the response of the reference; {STAYS}"
    old = "the file" if len(one.after.files) == 1 else "the two files"
    return f"load {_files(one.after.files)} in place of {old} of the reference; {STAYS}"


def _move(
    one: Exported | None, before: PlacedTrack, after: PlacedTrack, number: str, rate: int
) -> tuple[str, ...]:
    """What a move does to one track: what to set, and what comes with a response."""
    if one is None:
        settings = settings_of(before, after, rate, number)
        return (f"{GROUPS[0]}: {'; '.join(setting.line for setting in settings)}.",)
    words = move_words(before, after)
    inside = [f"{GROUPS[1]}: {words}."] * (words != UNCHANGED)
    return (f"{GROUPS[0]}: {_load(one)}.", *inside)


def _heard(before: PlacedTrack, after: PlacedTrack, *, alone: bool) -> list[str]:
    """How a recorded track is heard then; its name stands there unless it moves alone."""
    heard = heard_words(before, after) if before.seat is None else ""
    return [f"Heard {heard}." if alone else f"{after.name}: heard {heard}."] * bool(heard)


def by_position(result: Result, mix: Mix, found: Sequence[Exported]) -> str:
    """Say what to load and set for a fader a microphone position; "" without dry tracks.

    Returns
    -------
    str
        How, then a line a track in the reference, and a line a track that changes.
    """
    if not found:
        return ""
    lines = [
        "Another way: one fader for each microphone position of the dry tracks. On each of them, "
        f"load the files of responses/{REFERENCE}/{POSITIONS} side by side, each in a reverb of "
        "its own with a fader of its own, and put one fader for the whole track behind them. Set "
        "for the reference:",
        *(f"  {one.name}: {_faders(one.before)}" for one in found),
    ]
    numbers = track_numbers(result, mix)
    changed = [one for one in found if one.before != one.after]
    changed.sort(key=lambda one: one.name in mix.moved)
    if changed:
        lines.append(
            f"For each move, load the named positions from responses/{MOVES}/{POSITIONS}, and set:"
        )
    for one in changed:
        number = numbers[one.name] if one.name in mix.moved else MICROPHONES
        new = [name for name, files in one.after.positions.items()
               if files != one.before.positions[name]]  # fmt: skip
        load = f"load {', '.join(new)}; " * bool(new)
        lines.append(f"  {number} {one.name}: {load}{_faders(one.after)}")
    return "\n".join(lines)


def _faders(loaded: Loaded) -> str:
    """The faders of one state of a track."""
    gains = ", ".join(f"{name} {gain_text(gain)}" for name, gain in loaded.faders_db.items())
    return f"{gains}; whole track {gain_text(loaded.gain_db)}"
