"""What an exported folder holds and how to use it, as plain text for whoever opens it.

*Conventions*: gains in dB; wrapped to 78 columns. The actions come first, in their order.

`readme`: the text.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping, Sequence

from placer.result.export.actions import ORDER, Action, labelled
from placer.result.export.midi import settings, shift_db
from placer.result.export.start import Start
from placer.result.facts import mix_label, signed
from placer.result.model import Mix, Result

COLUMNS = 78
BEFORE_UNIT, NO_BREAK = re.compile(r"(?<=\d) (?=(?:%|dB|ms?|Hz)(?!\w))"), "\N{NO-BREAK SPACE}"
AUDIBLE = (
    '"Audible: horns 26 to 28 %" says how much of the horns is heard above all other tracks, '
    "before and after a move."
)


def readme(
    result: Result,
    mix: Mix,
    actions: Sequence[Action],
    *,
    stems_db: float,
    start: Start,
    controllers: Mapping[str, int],
    positions: str = "",
    others: Sequence[str] = (),
) -> str:
    """Write the read-me of an exported mix.

    Parameters
    ----------
    result : Result
    mix : Mix
    actions : sequence of Action
        How the mix is made.
    stems_db : float
        Gain that all stems share, 0 or less.
    start : Start
        When they begin on the session's timeline.
    controllers : mapping
        Position, or one of make_up, pan and width, to controller number.
    positions : str
        The same by single microphone positions; "" where there are none.
    others : sequence of str
        Paragraphs on other files, and on what is missing.
    """
    parts = [
        f"{' '.join(result.cue.name.split())}, {mix_label(mix)}",
        "Start low when you listen: long or loud listening harms hearing for good. Keep to the "
        "exposure rules that hold where you work.",
        f"{ORDER} {AUDIBLE if mix.steps else ''}".strip(),
        *(_told(result, mix, one) for one in actions),
        *[positions] * bool(positions),
        "moves.md, moves.html, moves.csv: the same actions to read, to print and for a "
        "spreadsheet. A pan is in per cent to a side. Make-up is the fader of the whole track, "
        "behind its positions.",
        _stems(result, mix, stems_db, start),
        *(f"Start time: {doubt}" for doubt in start.doubts),
        *others,
        *_controllers(result, mix, controllers),
        "seating.toml: these placements as a beginning for other cues. Write file = "
        "\"seating.toml\" under [seating] in a cue file: its tracks of the same name begin here.",
    ]  # fmt: skip
    return "\n\n".join(_wrapped(part) for part in parts) + "\n"


def _told(result: Result, mix: Mix, action: Action) -> str:
    """One action: its title and words, its tracks, and what is heard then."""
    lines = [f"{action.title}. {action.name}", *(f"  {one}" for one in action.words)]
    for label, told in labelled(result, mix, action):
        if not action.step:
            lines.append(f"  {label}: {told[0]}")
            continue
        lines += [] if action.alone else [f"  {label}"]
        lines += [f"{'  ' if action.alone else '    '}{line}" for line in told]
    return "\n".join([*lines, *(f"  {one}" for one in action.end)])


def _stems(result: Result, mix: Mix, stems_db: float, start: Start) -> str:
    """What the stems are."""
    rate = result.sample_rate
    words = (
        f"stems: every track as it is heard in the mix, as Broadcast Wave of 24 bits, {rate} Hz. "
        f"All begin at one time, {start.samples} samples ({start.samples / rate:.3f} s) after "
        f"midnight, {_whence(start)}. "
    )
    if stems_db < 0.0:
        return words + (
            f"One of them alone would exceed full scale. So all are {-stems_db:.2f} dB lower than "
            f"in the mix: raised by {-stems_db:.2f} dB and added they are the mix."
        )
    return words + (
        f"Added with all faders at 0 dB they are the mix ({mix.lufs:.1f} LUFS, true peak "
        f"{mix.true_peak_dbtp:.1f} dBTP)."
    )


def _whence(start: Start) -> str:
    """Where the start time comes from."""
    if start.stated:
        return "as your own stems say"
    return "because your own stems state no start time"


def _controllers(result: Result, mix: Mix, controllers: Mapping[str, int]) -> list[str]:
    """Which controller carries what, and which track is where: one table each."""
    found = settings(result, mix, controllers)
    if not found:
        return []
    shift = shift_db(result, mix, controllers)
    lines = [
        "controllers-1.mid and so on: Standard MIDI Files, one channel a track, 16 tracks a file, "
        "all at time zero. They set the gains of the microphone positions of your instruments. "
        "Volume (7) and pan (10) of your template stay as they are, unless the cue file names them "
        f"under [midi] controllers. A gain of {signed(-shift, 1)} dB is the value 100, any other "
        "gain lies 40 log10(value / 100) dB from it, and off is 0. One step near 100 is 0.17 dB; "
        "moves.csv has the exact gains.",
        *(f"  controller {number}: {_meaning(what)}" for what, number in controllers.items()),
    ]
    for one in found:
        values = ", ".join(f"{what} {value}" for what, value in one.values.items())
        lines.append(f"  file {one.file + 1}, channel {one.channel + 1}: {one.name} ({values})")
    return ["\n".join(lines)]


def _meaning(what: str) -> str:
    """What a controller sets."""
    return {
        "make_up": "gain of the whole track (make-up)",
        "pan": "pan, 1 left, 64 middle, 127 right",
        "width": "width, 0 mono, 64 as it is",
    }.get(what, f"gain of the position {what}")


def _wrapped(part: str) -> str:
    """Wrap a paragraph; lines of a list keep their own beginning, numbers their units."""
    return "\n".join(
        textwrap.fill(
            BEFORE_UNIT.sub(NO_BREAK, line.strip()),
            COLUMNS,
            initial_indent=(own := " " * (len(line) - len(line.lstrip()))),
            subsequent_indent=own + ("    " if own else ""),
            break_on_hyphens=False,
        ).replace(NO_BREAK, " ")
        for line in part.split("\n")
    )
