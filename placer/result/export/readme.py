"""What an exported folder holds and how to use it, as plain text for whoever opens it.

*Conventions*: gains in dB; wrapped to 78 columns.

`readme`: the text.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from placer.result.export.controllers import common_shift_db, settings
from placer.result.export.responses import CEILING_DBTP, Exported
from placer.result.export.start import Start
from placer.result.facts import Facts, mix_label, signed

COLUMNS = 78


def readme(
    result: Facts,
    mix: Facts,
    responses: Sequence[Exported],
    *,
    stems_db: float,
    start: Start,
) -> str:
    """Write the read-me of an exported mix.

    Parameters
    ----------
    result, mix : dict
        Contents of result.json and one of its mixes.
    responses : sequence of Exported
        Empty where there are none.
    stems_db : float
        Gain that all stems share, 0 or less.
    start : Start
        When they begin on the session's timeline.
    """
    parts = [
        f"{' '.join(result['cue']['name'].split())}: {mix_label(mix)}",
        "Start low when you listen: long or loud listening harms hearing for good. Keep to the "
        "exposure rules that hold where you work.",
        "moves.csv, moves.md, moves.html: what to set on every track, the biggest change first. "
        "Gains are rounded to half a decibel, pans are given in per cent, degrees (loudspeakers "
        "at 30 degrees to each side) and -64 to 63. Print moves.html.",
        _stems(result, mix, stems_db, start),
        *(f"Start time: {doubt}" for doubt in start.doubts),
        *_responses(mix, responses, stems_db),
        *_controllers(result, mix),
        "seating.toml: these placements as a start for other cues. Name it in a cue file under "
        "[seating] as file = \"seating.toml\"; tracks of the same name then start from here.",
    ]  # fmt: skip
    return "\n\n".join(_wrapped(part) for part in parts) + "\n"


def _stems(result: Facts, mix: Facts, stems_db: float, start: Start) -> str:
    """What the stems are."""
    rate = result["sample_rate"]
    words = (
        f"stems: every track as it is heard in the mix, 24 bits, {rate} Hz, Broadcast Wave. All "
        f"begin together, {start.samples} samples ({start.samples / rate:.3f} s) after midnight "
        f"by their time reference, {_whence(start)}. "
    )
    if stems_db < 0.0:
        return words + (
            f"One of them alone would exceed full scale, so all are {-stems_db:.2f} dB lower than "
            f"in the mix; together and raised by {-stems_db:.2f} dB they are the mix."
        )
    return words + (
        f"At equal faders they add up to the mix ({mix['lufs']:.1f} LUFS, true peak "
        f"{mix['true_peak_dbtp']:.1f} dBTP)."
    )


def _whence(start: Start) -> str:
    """Where the start time comes from."""
    if start.stated:
        return "as your own stems say"
    return "because your own stems state no start time"


def _responses(mix: Facts, responses: Sequence[Exported], stems_db: float) -> list[str]:
    """What the impulse responses are, with the gain of each."""
    if not responses:
        return []
    lines = [
        "responses: for each dry track the way from its stem to its place, for any convolution "
        "reverb: wholly wet, the dry sound off, no further delay, no level matching. True peak "
        f"{CEILING_DBTP:g} dBTP. A stereo stem has two files: feed its left channel to the one and "
        "its right channel to the other and add. Two gains each, for the fader "
        "after the convolution: with the first the track is as loud as its placed stem here, with "
        "the second as in the reference before the gain of the whole mix; far below 0 is usual:"
    ]
    for one in responses:
        here, plain = one.gain_db + stems_db, one.gain_db - mix["gain_db"]
        lines.append(f"  {' and '.join(one.files)}: {signed(here, 2)} dB, {signed(plain, 2)} dB")
    return ["\n".join(lines)]


def _controllers(result: Facts, mix: Facts) -> list[str]:
    """Which track is on which channel of which MIDI file."""
    found = settings(result, mix)
    if not found:
        return []
    shift = common_shift_db(result, mix)
    lines = [
        "controllers-1.mid and so on: Standard MIDI Files, one channel a track, 16 tracks a file. "
        "Controller 10 (pan) is the pan of a dry track's close position, controller 8 (balance) "
        "that of a recorded track; controller 7 (volume) is the make-up gain, 100 for "
        f"{signed(-shift, 1)} dB, 40 log10 of the value's ratio in dB. One step of it near 100 is "
        "0.17 dB; the exact gains are in the sheet."
    ]
    for one in found:
        lines.append(
            f"  file {one.file + 1}, channel {one.channel + 1}: {one.name} (volume {one.volume}, "
            f"balance {one.balance}, pan {one.pan})"
        )
    return ["\n".join(lines)]


def _wrapped(part: str) -> str:
    """Wrap a paragraph; lines of a list keep their own beginning."""
    return "\n".join(
        textwrap.fill(line, COLUMNS, subsequent_indent="    " if line.startswith("  ") else "")
        for line in part.split("\n")
    )
