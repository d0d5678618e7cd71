"""What a person has to move in the session to make it sound like one of the mixes.

*Conventions*: tracks in the order and with the numbers of the path: what to move first stands
first, tracks that stay as they are last. Gains are those that the search found, in whole decibels
from what the track had; pans in per cent to a side, delays in ms and samples. Left is negative.

`moves_csv`: one row a track, for a spreadsheet. `moves_markdown`: the same for reading.
`settings_of`: what a hand sets on one track. `inside_of`: what the response of a dry track holds
already. `measured_of`: how it is heard then. `whole_lines`: on the whole mix. `position_names`:
every microphone position.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, replace
from typing import Any

from placer.cue.names import made_safe
from placer.placement.layout import seat_side
from placer.result.facts import (
    LEFT_OUT,
    changes,
    delay_ms,
    delay_samples,
    gain_text,
    mix_label,
    mix_of,
    pan_text,
    percent,
    seat_words,
    side_limits,
    side_text,
    signed,
    still_words,
)
from placer.result.leaning import lean_lines
from placer.result.model import Mix, PlacedTrack, Result, ResultTrack, TrackTriple
from placer.result.path_words import (
    MOVES,
    REFERENCE,
    file_number,
    microphones_words,
    step_effect,
    step_gains,
    step_words,
    together_words,
    track_numbers,
    working_order,
)
from placer.result.words import depth_words, mix_words, move_words

REFERENCE_WORDS = {
    "recorded": "for recorded tracks the blend that the cue file gives",
    "dry": "for dry stems the seats that the cue file gives, or usual ones",
}
"""What the numbers before a move stand for, by the kind of track."""

NO_TREE = (
    "A dry stem is moved by one file: `placer export . --rank {rank}`, typed in the folder of the "
    "run, writes it, for a convolution reverb, 100 % wet; its `README.txt` tells each action. The "
    "file holds seat, pan, width, gains and make-up: set none of them by hand, and leave the fader."
)

GROUPS = ("Set this", "Already in the response", "Measured")
"""What a hand sets, what comes with the response of a dry track, and what comes of it."""

ORDER = (
    "In the order to make them: each is the move that, after those before it, gains most for its "
    "work and keeps every limit; a later one may gain more because of the earlier ones. A move "
    "under a number of its own needs no other track; its figures assume that those before it are "
    "made. Moves that need one another stand under one number. What a track no longer hides of "
    "another, others may hide in part: what is heard in the end is the audible share. Stop "
    "wherever it is enough."
)

RESPONSE = "impulse response"

MAKE_UP = "make-up of the whole track"
"""The fader behind all positions, which sets a track back to its loudness in the reference."""

HEAD = (
    "number", "track", "section", "kind", "to_do",
    "set_this", "already_in_the_response", "measured",
    "what_it_brings", "part_of_the_improvement_percent", "improvement_so_far_percent",
)  # fmt: skip
TAIL = (
    "pan_from_percent_right", "pan_to_percent_right", "width_from_percent", "width_to_percent",
    "close_to_tree_alignment_from_ms", "close_to_tree_alignment_to_ms",
    "close_to_tree_alignment_to_samples", "make_up_from_db", "make_up_to_db",
    "heard_from_deg_right", "heard_to_deg_right",
    "right_against_left_from_db", "right_against_left_to_db",
    "late_right_against_left_from_db", "late_right_against_left_to_db",
    "drr_from_db", "drr_to_db", "c80_from_db", "c80_to_db",
    "audible_from_percent", "audible_to_percent", "hidden_by",
)  # fmt: skip
SEAT = ("seat_right_from_m", "seat_right_to_m", "seat_back_from_m", "seat_back_to_m")


def position_names(result: Result) -> list[str]:
    """Every microphone position that some track of the run has, in order of first use."""
    return list(dict.fromkeys(name for track in result.tracks for name in track.positions))


def moves_csv(result: Result, rank: int) -> str:
    """The sheet of moves as CSV: a head line, then one row a track.

    Parameters
    ----------
    result : Result
    rank : int
        Which mix; 0 is the reference.

    Returns
    -------
    str
        RFC 4180 text. A name that a spreadsheet would take for a formula gets an apostrophe.
    """
    positions = position_names(result)
    gains = [f"{name}_{when}_db" for name in positions for when in ("from", "to")]
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([_plain(name) for name in (*HEAD, *SEAT, *gains, *TAIL)])
    mix = mix_of(result, rank)
    numbers = track_numbers(result, mix)
    gains_of_steps = {
        name: [step_effect(result, mix, number), *step_gains(result, mix, number)]
        for number, step in enumerate(mix.steps, 1)
        for name in step.tracks
    }
    for track, before, after in working_order(result, mix):
        row: list[Any] = [numbers[track.name], track.name, track.section, track.kind]
        row.append(move_words(before, after))
        row += _word_cells(result, before, after, numbers[track.name])
        row += gains_of_steps.get(track.name, [""] * 3)
        row += _seat_cells(before, after)
        for name in positions:
            row += [_gain_cell(state, name) for state in (before, after)]
        row += _tail(track, before, after, result.sample_rate)
        writer.writerow([_plain(cell) for cell in row])
    return out.getvalue()


def moves_markdown(result: Result, rank: int) -> str:
    """The sheet of moves as Markdown: the path, one table of what to set, then those that stay.

    Parameters
    ----------
    result : Result
    rank : int
        Which mix; 0 is the reference.
    """
    mix = mix_of(result, rank)
    numbers = track_numbers(result, mix)
    order = working_order(result, mix)
    lines = [f"# {markdown_text(result.cue.name)}, {mix_label(mix)}", ""]
    lines += [
        markdown_text(mix.words or mix_words(result, mix)),
        "",
        *whole_lines(result, mix),
        "",
    ]
    if len(mix.steps) > 1:
        lines += [ORDER, ""]
    if mix.microphones:
        lines += [markdown_text(microphones_words(result, mix)), ""]
    for number in range(1, len(mix.steps) + 1):
        lines += _step(result, mix, number)
    moved = [three for three in order if changes(three[1], three[2])]
    if moved:
        dry = any(track.kind == "dry" for track, _, _ in moved)
        words = [reference_words(result), *[NO_TREE.format(rank=rank)] * dry]
        lines += ["", "## What to set", "", " ".join(words), ""]
        lines += _settings(moved, numbers, result.sample_rate)
        lines += ["", "## How it is heard then (measured)", ""]
        lines += _heard(result, moved, numbers)
    still = [
        still_words(before, after) for track, before, after in order if not changes(before, after)
    ]
    if still:
        lines += ["", f"Left as they are: {', '.join(map(markdown_text, still))}."]
    return "\n".join([*lines, "", LEFT_OUT, ""])


def _step(result: Result, mix: Mix, number: int) -> list[str]:
    """One step as an item of a numbered list: the moves, then what they bring."""
    told = step_words(result, mix, number)
    effect = markdown_text(step_effect(result, mix, number))
    if len(told) == 1:
        name = markdown_text(mix.steps[number - 1].tracks[0])
        return [f"{number}. **{name}**: {markdown_text(told[0][1])}  ", f"   {effect}"]
    items = [f"   - **{markdown_text(name)}**: {markdown_text(words)}" for name, words in told]
    return [f"{number}. {together_words(result, mix, number)} {effect}", *items]


def reference_words(result: Result) -> str:
    """What the numbers before a move stand for, for the kinds of track that the run has."""
    kinds = {track.kind for track in result.tracks}
    told = [words for kind, words in REFERENCE_WORDS.items() if kind in kinds]
    return f"Every move begins from the reference: {'; '.join(told) or 'the files as they are'}."


@dataclass(frozen=True, slots=True)
class Setting:
    """One thing that differs on a track: its name, and its values before and after in words.

    The value before is "" where the one after is already against the reference.
    """

    name: str
    before: str
    after: str

    @property
    def line(self) -> str:
        """All three in one line."""
        return f"{self.name}: {f'{self.before} to ' if self.before else ''}{self.after}"


def settings_of(
    before: PlacedTrack, after: PlacedTrack, sample_rate: int, number: str
) -> list[Setting]:
    """What a hand sets on one track: the response of a dry track, all that changes on another.

    Parameters
    ----------
    before, after : PlacedTrack
        The track in the reference and in a mix.
    sample_rate : int
        Hz.
    number : str
        Of its move.
    """
    if not before.seat:
        return _changed(before, after, sample_rate)
    stem = made_safe(before.name)  # and one file a side where the stem has two
    named = f"{REFERENCE}/{stem} ...", f"{MOVES}/{file_number(number)} {stem} ..."
    return [Setting(RESPONSE, *named)]


def inside_of(before: PlacedTrack, after: PlacedTrack, sample_rate: int) -> list[Setting]:
    """What the response of a dry track holds already: all that changes; nothing of others.

    Parameters
    ----------
    before, after : PlacedTrack
        The track in the reference and in a mix.
    sample_rate : int
        Hz.
    """
    return _changed(before, after, sample_rate) if before.seat else []


def _changed(before: PlacedTrack, after: PlacedTrack, sample_rate: int) -> list[Setting]:
    """All that changes on one track, and the make-up that goes with it."""
    altered = changes(before, after)
    found = []
    if "seat" in altered:
        found.append(Setting("seat", seat_words(before.place), seat_words(after.place)))
        sides = [pan_text(seat_side(state.place)) for state in (before, after)]
        found += [Setting("side of the close microphone", *sides)] * (sides[0] != sides[1])
    for name, (old, new) in altered.get("blend", {}).items():
        found.append(Setting(f"gain of {name}", gain_text(old), gain_text(new)))
    if "pan" in altered:
        found.append(Setting("pan", pan_text(before.pan), pan_text(after.pan)))
    if "width" in altered:
        old, new = (f"{round(100 * state.width)} %" for state in (before, after))
        found.append(Setting("width", old, new))
    if "delay" in altered:
        old, new = (
            f"{delay_ms(state):.1f} ms = {samples} samples"
            if (samples := delay_samples(state, sample_rate))
            else "none"
            for state in (before, after)
        )
        found.append(Setting("alignment of close to tree, delay of close", old, new))
    made_up = signed(after.make_up_db)
    return [*found, *[Setting(MAKE_UP, "0.0 dB", f"{made_up} dB")] * (made_up != "0.0")]


def measured_of(result: Result, before: PlacedTrack, after: PlacedTrack) -> list[Setting]:
    """How one track is heard then: what differs of its side, its depth and how audible it is.

    Parameters
    ----------
    result : Result
    before, after : PlacedTrack
        The track in the reference and in a mix.
    """
    most, late_most = side_limits(result)
    found = [
        Setting(name, *(side_text(getattr(state, key), digits) for state in (before, after)))
        for name, key, digits in (
            ("heard at, degrees", "lateral_deg", 0),
            (f"louder side, dB (limit {most:g})", "side_db", 1),
            (f"louder side of its late sound, dB (limit {late_most:g})", "room_side_db", 1),
        )
    ]
    if (depth := depth_words(before, after)) in ("nearer", "farther"):
        found.append(Setting("heard", "", depth))
    # recorded tracks have C80 alone to tell depth by, files heard as they are have neither
    for name, key, known in (
        ("direct to reverberant, dB", "drr_db", after.seat),
        ("early to late (C80), dB", "c80_db", after.blend_db),
    ):
        if known:
            found.append(Setting(name, *(signed(getattr(state, key)) for state in (before, after))))
    shares = (f"{percent(state.audibility)} %" for state in (before, after))
    return [one for one in [*found, Setting("audible", *shares)] if one.before != one.after]


def groups_of(
    result: Result, before: PlacedTrack, after: PlacedTrack, number: str
) -> list[tuple[str, list[Setting]]]:
    """What is set, what the response holds and what is measured of one track; no empty group."""
    rate = result.sample_rate
    found = (
        settings_of(before, after, rate, number),
        inside_of(before, after, rate),
        measured_of(result, before, after),
    )
    return [(name, lines) for name, lines in zip(GROUPS, found, strict=True) if lines]


def _word_cells(result: Result, before: PlacedTrack, after: PlacedTrack, number: str) -> list[str]:
    """Cells of `GROUPS` of one track, empty where it does not move."""
    told = dict(groups_of(result, before, after, number)) if changes(before, after) else {}
    return ["; ".join(one.line for one in told.get(name, [])) for name in GROUPS]


Moved = list[TrackTriple]
"""Tracks that move: description, before, after."""


def _settings(moved: Moved, numbers: dict[str, str], sample_rate: int) -> list[str]:
    """One table: a row a setting, the number and name of its track before the first.

    What a hand sets comes first, what comes with it in the response of a dry track after it.
    """
    head = ["", "track", "setting", "from", "to"]
    lines = [_line(head), _line(["---"] * len(head))]
    for track, before, after in moved:
        who = [numbers[track.name], track.name]
        found = settings_of(before, after, sample_rate, who[0])
        inside = inside_of(before, after, sample_rate)
        found += [replace(one, name=f"in the response: {one.name}") for one in inside]
        for one in found:
            lines.append(_line([*who, one.name, one.before, one.after]))
            who = ["", ""]
    return lines


def _heard(result: Result, moved: Moved, numbers: dict[str, str]) -> list[str]:
    """One table of what the ear gets of each track that moves: side, depth, how audible it is."""
    most, late_most = side_limits(result)
    head = [
        "",
        "track",
        "heard at, degrees",
        "depth",
        "louder side, dB",
        "its late sound, dB",
        "audible",
    ]
    lines = [
        f"L is left, R right; loudspeakers stand at 30 degrees. Most that a side may be louder: "
        f"{most:g} dB, in the late sound {late_most:g} dB, or as much as in the reference.",
        "",
        _line(head),
        _line(["---"] * len(head)),
    ]
    for track, before, after in moved:
        cells = [
            f"{side_text(getattr(before, key), digits)} to {side_text(getattr(after, key), digits)}"
            for key, digits in (("lateral_deg", 0), ("side_db", 1), ("room_side_db", 1))
        ]
        cells.insert(1, depth_words(before, after))
        heard = [f"{percent(state.audibility)}" for state in (before, after)]
        cells.append(f"{' to '.join(heard)} %")
        lines.append(_line([numbers[track.name], track.name, *cells]))
    return lines


def _line(cells: list[str]) -> str:
    """One line of a table."""
    return f"| {' | '.join(map(markdown_text, cells))} |"


def whole_lines(result: Result, mix: Mix) -> list[str]:
    """Lines of Markdown on the whole mix: loudness, limits, microphones."""
    target = result.loudness.target_lufs
    lines = [
        f"- whole mix: {mix.lufs:.1f} LUFS (target {target:.1f}), true peak "
        f"{mix.true_peak_dbtp:.1f} dBTP, gain on the master {master_words(result, mix)}"
    ]
    if abs(mix.missed_lu) >= 0.05:
        lines.append(
            f"- the loudness target is missed by {abs(mix.missed_lu):.1f} LU, because the "
            "true-peak ceiling comes first"
        )
    lines += [
        f"- limit exceeded: {name} by {value:.1f} dB"
        for name, value in mix.violations.items()
        if value >= 0.05
    ]
    lines += [f"- it leans: {line}" for line in lean_lines(result, mix)]
    if own := result.compare:
        lines.append(
            f"- your own mix ({markdown_text(own.source)}) lies beside it as {own.file}, at "
            f"{own.lufs:.1f} LUFS: on the listening page it is called Your mix"
        )
    return lines


def master_words(result: Result, mix: Mix) -> str:
    """Gain on the master after the last move, and that of the reference, dB.

    After some of the moves it lies about between: measured on three cues, within .1 dB.
    """
    before, after = signed(result.reference.gain_db), signed(mix.gain_db)
    if not mix.steps:
        return f"{after} dB"
    if before == after:
        return f"{after} dB, as in the reference"
    return f"{after} dB ({before} dB in the reference, about between these after some of the moves)"


def _seat_cells(before: PlacedTrack, after: PlacedTrack) -> list[Any]:
    """Cells of `SEAT`."""
    if not after.seat:
        return [""] * len(SEAT)
    return [
        round(state.place[axis], 2) + 0.0 for axis in (0, 1) for state in (before, after)
    ]  # fmt: skip


def _gain_cell(state: PlacedTrack, name: str) -> Any:
    """Gain of a position, or off; empty where the track does not have it."""
    if name not in state.blend_db:
        return ""
    gain = state.blend_db[name]
    return "off" if gain is None else round(gain, 2) + 0.0


def _tail(
    track: ResultTrack, before: PlacedTrack, after: PlacedTrack, sample_rate: int
) -> list[Any]:
    """Cells of `TAIL`."""
    both = (before, after)
    direct = track.kind == "direct"
    cells: list[Any] = []
    for key in ("pan", "width"):
        cells += [""] * 2 if direct else [round(100.0 * getattr(state, key)) for state in both]
    cells += [round(delay_ms(state), 1) for state in both]
    cells.append(delay_samples(after, sample_rate))
    cells += [0.0, round(after.make_up_db, 1) + 0.0]
    cells += [round(state.lateral_deg) + 0 for state in both]
    for key in ("side_db", "room_side_db"):
        cells += [round(getattr(state, key), 1) + 0.0 for state in both]
    # recorded tracks have C80 alone to tell depth by, files heard as they are have neither
    for key, known in (("drr_db", after.seat), ("c80_db", after.blend_db)):
        cells += [round(getattr(state, key), 1) + 0.0 if known else "" for state in both]
    cells += [percent(state.audibility) for state in both]
    return [*cells, ", ".join(after.hidden_by)]


def _plain(cell: Any) -> Any:
    """A cell that no spreadsheet takes for a formula."""
    return f"'{cell}" if isinstance(cell, str) and cell[:1] in ("=", "+", "-", "@", "\t") else cell


def markdown_text(text: str) -> str:
    """Text with Markdown's own signs escaped, on one line."""
    flat = " ".join(text.split())
    return "".join(f"\\{sign}" if sign in "\\`*_[]<>#|" else sign for sign in flat)
