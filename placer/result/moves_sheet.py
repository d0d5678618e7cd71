"""What a person has to move in the session to make it sound like one of the mixes.

*Conventions*: tracks in the order and with the numbers of the path: what to move first stands
first, tracks that stay as they are last. Gains rounded to half a decibel, pans in per cent to a
side, delays in ms and samples. Left is negative.

`moves_csv`: one row a track, for a spreadsheet. `moves_markdown`: the same for reading.
`position_names`: every microphone position of the run.
"""

from __future__ import annotations

import csv
import io
from typing import Any

from placer.result.facts import (
    FADER_STEP_DB,
    LEFT_OUT,
    Facts,
    changes,
    delay_ms,
    delay_samples,
    mix_label,
    mix_of,
    pan_text,
    rounded,
    signed,
    still_words,
)
from placer.result.path import (
    step_effect,
    step_words,
    steps_of,
    together_words,
    track_numbers,
    working_order,
)
from placer.result.words import mix_words, move_words

REFERENCE_WORDS = {
    "recorded": "for recorded tracks the blend that the cue file gives",
    "dry": "for dry stems the seats that the cue file gives, or usual ones (in your session: load "
    "the responses that `placer export` writes for each position, wet only, one fader a position)",
}
"""What the numbers before a move stand for, by the kind of track."""

SEAT, PAN, WIDTH = "seat, m right / back", "pan", "width"
ALIGNMENT, FADER = "alignment of close to tree", "fader of the track, dB"
"""Columns of the table of what to set, beside those of the microphone positions."""

HEAD = ("number", "track", "section", "kind", "to_do")
PLACE = (
    "seat_x_m", "seat_y_m", "seat_x_change_m", "seat_y_change_m",
    "pan_percent", "pan_change_percent",
)  # fmt: skip
TAIL = (
    "close_to_tree_alignment_ms", "close_to_tree_alignment_samples", "width_percent", "make_up_db",
    "heard_at_deg", "drr_db", "drr_change_db", "c80_db", "c80_change_db",
    "audible_before_percent", "audible_percent", "hidden_by",
)  # fmt: skip


def position_names(result: Facts) -> list[str]:
    """Every microphone position that some track of the run has, in order of first use."""
    return list(dict.fromkeys(name for track in result["tracks"] for name in track["positions"]))


def moves_csv(result: Facts, rank: int) -> str:
    """The sheet of moves as CSV: a head line, then one row a track.

    Parameters
    ----------
    result : dict
        Contents of result.json.
    rank : int
        Which mix; 0 is the reference.

    Returns
    -------
    str
        RFC 4180 text. A name that a spreadsheet would take for a formula gets an apostrophe.
    """
    positions = position_names(result)
    gains = [f"{name}_{what}" for name in positions for what in ("db", "change_db")]
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([_plain(name) for name in (*HEAD, *PLACE, *gains, *TAIL)])
    mix = mix_of(result, rank)
    numbers = track_numbers(result, mix)
    for track, before, after in working_order(result, mix):
        row = [numbers[track["name"]], track["name"], track["section"], track["kind"]]
        row.append(move_words(before, after))
        row += _place(track, before, after)
        for name in positions:
            row += _gain(before, after, name)
        row += _tail(before, after, result["sample_rate"])
        writer.writerow([_plain(cell) for cell in row])
    return out.getvalue()


def moves_markdown(result: Facts, rank: int) -> str:
    """The sheet of moves as Markdown: the path, one table of what to set, then those that stay.

    Parameters
    ----------
    result : dict
        Contents of result.json.
    rank : int
        Which mix; 0 is the reference.
    """
    mix = mix_of(result, rank)
    numbers = track_numbers(result, mix)
    order = working_order(result, mix)
    lines = [f"# {_md(result['cue']['name'])}, {mix_label(mix)}", ""]
    lines += [_md(mix.get("words") or mix_words(result, mix)), "", *_whole(result, mix), ""]
    for number in range(1, len(steps_of(mix)) + 1):
        lines += _step(result, mix, number)
    moved = [three for three in order if changes(three[1], three[2])]
    if moved:
        lines += ["", "## What to set", "", reference_words(result), ""]
        lines += _settings(moved, numbers)
    still = [
        f"{numbers[track['name']]} {still_words(before, after)}"
        for track, before, after in order
        if not changes(before, after)
    ]
    if still:
        lines += ["", "## Left as they are", "", ", ".join(map(_md, still)) + "."]
    return "\n".join([*lines, "", LEFT_OUT, ""])


def _step(result: Facts, mix: Facts, number: int) -> list[str]:
    """One step as an item of a numbered list: the moves, then what they bring."""
    told = step_words(result, mix, number)
    effect = _md(step_effect(result, mix, number))
    if len(told) == 1:
        name = _md(steps_of(mix)[number - 1]["tracks"][0])
        return [f"{number}. **{name}**: {_md(told[0][1])}  ", f"   {effect}"]
    items = [f"   - **{_md(name)}**: {_md(words)}" for name, words in told]
    return [f"{number}. {together_words(result, mix, number)} {effect}", *items]


def reference_words(result: Facts) -> str:
    """What the numbers before a move stand for, for the kinds of track that the run has."""
    kinds = {track["kind"] for track in result["tracks"]}
    told = [words for kind, words in REFERENCE_WORDS.items() if kind in kinds]
    return (
        f"The first of two values is the reference: {'; '.join(told) or 'the files as they are'}."
    )


def _settings(moved: list[tuple[Facts, Facts, Facts]], numbers: dict[str, str]) -> list[str]:
    """One table of all that a hand sets: a row a track, columns that some track needs."""
    rows = {track["name"]: setting_cells(before, after) for track, before, after in moved}
    used = {column for row in rows.values() for column in row}
    positions = dict.fromkeys(name for track, _, _ in moved for name in track["positions"])
    order = (SEAT, *(f"{name}, dB" for name in positions), PAN, WIDTH, ALIGNMENT, FADER)
    columns = [column for column in order if column in used]
    head = ["", "track", *columns]
    lines = [_line(head), _line(["---"] * len(head))]
    for name, row in rows.items():
        lines.append(_line([numbers[name], name, *(row.get(column, "") for column in columns)]))
    return lines


def _line(cells: list[str]) -> str:
    """One line of a table."""
    return f"| {' | '.join(map(_md, cells))} |"


def setting_cells(before: Facts, after: Facts) -> dict[str, str]:
    """What a hand sets on one track: {column: "before to after"} of what changes, and the fader."""
    altered = changes(before, after)
    found = {}
    if "seat" in altered:
        found[SEAT] = " to ".join(_seat_text(one) for one in (before, after))
    for name, (old, new) in altered.get("blend", {}).items():
        found[f"{name}, dB"] = f"{_gain_text(old)} to {_gain_text(new)}"
    if "pan" in altered:
        found[PAN] = f"{pan_text(before['pan'])} to {pan_text(after['pan'])}"
    if "width" in altered:
        found[WIDTH] = f"{round(100 * before['width'])} to {round(100 * after['width'])} %"
    if "delay" in altered:
        found[ALIGNMENT] = f"{delay_ms(before):.1f} to {delay_ms(after):.1f} ms"
    return found | {FADER: signed(after["make_up_db"])}


def _seat_text(track: Facts) -> str:
    return f"{signed(track['seat'][0])} / {signed(track['seat'][1])}"


def _gain_text(gain: float | None) -> str:
    return "off" if gain is None else signed(rounded(gain, FADER_STEP_DB))


def track_lines(result: Facts, before: Facts, after: Facts) -> list[str]:
    """Every setting of one track as short lines: new value first, the change in brackets."""
    lines = []
    if after["seat"]:
        lines.append(_seat_line(before, after))
    lines.append(
        f"pan: {pan_text(after['pan'])} (was {pan_text(before['pan'])}); heard "
        f"{heard_side(after)} (was {heard_side(before)})"
    )
    for name, gain in after["blend_db"].items():
        _, change = _gain(before, after, name)
        shown = "off" if gain is None else f"{signed(rounded(gain, FADER_STEP_DB))} dB"
        if not isinstance(change, str):
            change = f"{signed(change)} dB against the reference" if change else "as before"
        lines.append(f"{name}: {shown} ({change})")
    if after["aligned"]:
        samples = delay_samples(after, result["sample_rate"])
        late = f"delay close by {delay_ms(after):.1f} ms = {samples} samples"
        lines.append(f"alignment of close to tree: {late}")
    elif before["aligned"]:
        lines.append(f"alignment of close to tree: none (was {delay_ms(before):.1f} ms)")
    lines.append(f"width: {round(100 * after['width'])} % (was {round(100 * before['width'])} %)")
    lines.append(f"make-up: {signed(after['make_up_db'])} dB, keeps the track's loudness")
    if after["seat"]:
        lines.append(
            f"direct to reverberant {signed(after['drr_db'])} dB (was {signed(before['drr_db'])}), "
            f"C80 {signed(after['c80_db'])} dB (was {signed(before['c80_db'])})"
        )
    elif after["blend_db"]:
        lines.append(
            f"early to late (C80) {signed(after['c80_db'])} dB (was {signed(before['c80_db'])})"
        )
    return lines


def _seat_line(before: Facts, after: Facts) -> str:
    """Where a seat is and how far it goes; left, right, forward (to the hall) and back."""
    dx, dy = (b - a for a, b in zip(before["seat"], after["seat"], strict=True))
    ways = [
        f"{abs(way):.1f} m {words[way > 0]}"
        for way, words in ((dx, ("to the left", "to the right")), (dy, ("forward", "back")))
        if abs(way) >= 0.05
    ]
    moved = ", ".join(ways) or "as before"
    return f"seat: x {signed(after['seat'][0])} m, y {signed(after['seat'][1])} m ({moved})"


def _whole(result: Facts, mix: Facts) -> list[str]:
    """Lines on the whole mix."""
    target = result["loudness"]["target_lufs"]
    lines = [
        f"- whole mix: {mix['lufs']:.1f} LUFS (target {target:.1f}), true peak "
        f"{mix['true_peak_dbtp']:.1f} dBTP, gain on the master {signed(mix['gain_db'])} dB"
    ]
    if abs(mix["missed_lu"]) >= 0.05:
        lines.append(
            f"- the loudness target is missed by {abs(mix['missed_lu']):.1f} LU, because the "
            "true-peak ceiling comes first"
        )
    lines += [
        f"- limit exceeded: {name} by {value:.1f} dB"
        for name, value in mix["violations"].items()
        if value >= 0.05
    ]
    if own := result.get("compare"):
        lines.append(
            f"- your own mix ({_md(own['source'])}) lies beside it as {own['file']}, at "
            f"{own['lufs']:.1f} LUFS: on the listening page it is called Your mix"
        )
    if mix["shared"]:
        shared = ", ".join(f"{name} {value:g}" for name, value in mix["shared"].items())
        lines.append(f"- microphone arrays of the whole cue, in m: {shared}")
    return lines


def _place(track: Facts, before: Facts, after: Facts) -> list[Any]:
    """Cells of `PLACE`."""
    seat: list[Any] = [""] * 4
    if after["seat"]:
        moved = [round(b - a, 2) + 0.0 for a, b in zip(before["seat"], after["seat"], strict=True)]
        seat = [round(after["seat"][0], 2), round(after["seat"][1], 2), *moved]
    if track["kind"] == "direct":
        return [*seat, "", ""]
    percent = round(100.0 * after["pan"])
    return [*seat, percent, percent - round(100.0 * before["pan"])]


def _gain(before: Facts, after: Facts, name: str) -> list[Any]:
    """Gain of a position and its change, rounded to a fader step; words where it is switched."""
    if name not in after["blend_db"]:
        return ["", ""]
    old, new = before["blend_db"].get(name), after["blend_db"][name]
    if new is None:
        return ["off", "stays off" if old is None else "switch off"]
    shown = rounded(new, FADER_STEP_DB)
    return [shown, "switch on" if old is None else rounded(new - old, FADER_STEP_DB)]


def _tail(before: Facts, after: Facts, sample_rate: int) -> list[Any]:
    """Cells of `TAIL`."""
    return [
        round(delay_ms(after), 1),
        delay_samples(after, sample_rate),
        round(100.0 * after["width"]),
        round(after["make_up_db"], 1) + 0.0,
        round(after["lateral_deg"]) + 0,
        *_depth(before, after),
        round(100.0 * before["audibility"]),
        round(100.0 * after["audibility"]),
        ", ".join(after["hidden_by"]),
    ]


def _depth(before: Facts, after: Facts) -> list[Any]:
    """Cells of depth: recorded tracks have C80 alone, files heard as they are have none."""
    cells: list[Any] = []
    for key, known in (("drr_db", after["seat"]), ("c80_db", after["blend_db"])):
        values = (after[key], after[key] - before[key])
        cells += [round(value, 1) + 0.0 for value in values] if known else ["", ""]
    return cells


def heard_side(track: Facts) -> str:
    """Where a track is heard between the loudspeakers."""
    degrees = track["lateral_deg"]
    if abs(degrees) < 0.5:
        return "in the middle"
    return f"{abs(degrees):.0f} degrees to the {'left' if degrees < 0 else 'right'}"


def _plain(cell: Any) -> Any:
    """A cell that no spreadsheet takes for a formula."""
    return f"'{cell}" if isinstance(cell, str) and cell[:1] in ("=", "+", "-", "@", "\t") else cell


def _md(text: str) -> str:
    """Text with Markdown's own signs escaped, on one line."""
    flat = " ".join(text.split())
    return "".join(f"\\{sign}" if sign in "\\`*_[]<>#|" else sign for sign in flat)
