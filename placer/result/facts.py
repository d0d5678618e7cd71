"""How a run's result is looked up, compared and rounded to what a session's faders show.

*Conventions*: those of `model`.

`mix_of`, `version_of`: a mix, or all that one can listen to, by its rank. `mix_name`, `mix_label`:
what it is called. `versions`: all that one can listen to. `pairs`: each track before and after.
`percent`: a share as it is told.
`pan_text`: a pan as sessions show it. `changes`: what a person has to alter on one track.
`still_words`: a track that needs nothing of that. `LEFT_OUT`: what is too small to be named.
`gain_text`, `seat_words`, `side_text`: values as a person reads them. `side_limits`: how far a
layer may lean to a side.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

from placer.errors import FolderError
from placer.result.model import OWN_RANK, Mix, OwnMix, PlacedTrack, Result, TrackTriple

FADER_STEP_DB = 1.0
"""Step of a microphone position's fader in the search, dB; half of it is the least change named."""

SEAT_STEP = 0.25
"""Smallest change of a seat worth naming, m; common practice, no source."""

PAN_STEP, DELAY_STEP_MS = 0.015, 0.05
"""Smallest changes of a pan (or width) and of a delay worth making; common practice, no source."""

RUNG_WORDS = {
    "few": "few moves",
    "some": "more moves",
    "contrast": "all may move, mean depth held",
    "clearest": "all may move",
    "other": "few moves, another way",
}
"""What a mix asks for, by the rung of the search that it is."""

LEFT_OUT = (
    f"Left out as too small: less than {SEAT_STEP:g} m of a seat, {FADER_STEP_DB / 2:g} dB of a "
    f"position's gain, {100 * PAN_STEP:g} % of pan or width, {DELAY_STEP_MS:g} ms of delay."
)


def mix_of(result: Result, rank: int) -> Mix:
    """The mix of a rank: 0 is the reference.

    Raises
    ------
    FolderError
        If the run has no mix of that rank.
    """
    for mix in result.all_mixes:
        if mix.rank == rank:
            return mix
    ranks = ", ".join(str(mix.rank) for mix in result.mixes) or "none"
    raise FolderError(f"rank = {rank}: this run has no such mix (ranks: {ranks})")


def version_of(result: Result, rank: int) -> Mix | OwnMix:
    """What one can listen to, by its rank: -1 is the composer's own mix.

    Raises
    ------
    FolderError
        As `mix_of`.
    """
    if rank == OWN_RANK and result.compare is not None:
        return result.compare
    return mix_of(result, rank)


def mix_name(mix: Mix | OwnMix) -> str:
    """Short name of a mix, for use within a sentence."""
    return {0: "Reference", OWN_RANK: "Your mix"}.get(mix.rank, f"Mix {mix.rank}")


def mix_label(mix: Mix | OwnMix) -> str:
    """Name of a mix with the effort it asks for, such as "Mix 1: few moves"."""
    rung = mix.rung if isinstance(mix, Mix) else None
    return f"{mix_name(mix)}: {RUNG_WORDS[rung]}" if rung else mix_name(mix)


def versions(result: Result) -> list[Mix | OwnMix]:
    """All that one can listen to: the reference, the mixes, the composer's own mix if there is one.

    The last has a file and its loudness only: no placements, no cost.
    """
    return [*result.all_mixes, *([result.compare] if result.compare else [])]


def pairs(result: Result, mix: Mix) -> Iterator[TrackTriple]:
    """Each track as (description, in the reference, in the mix), in the cue's order."""
    before = {track.name: track for track in result.reference.tracks}
    after = {track.name: track for track in mix.tracks}
    for track in result.tracks:
        yield track, before[track.name], after[track.name]


def rounded(value: float, step: float) -> float:
    """The nearest multiple of a step, never minus zero.

    Examples
    --------
    >>> rounded(-0.2, 0.5), rounded(2.3, 0.5)
    (0.0, 2.5)
    """
    return round(round(value / step) * step, 6) + 0.0


def percent(share: float) -> int:
    """A share of 0 to 1 in whole per cent, half up, as the page's program rounds it too.

    Examples
    --------
    >>> percent(0.305), percent(0.125), percent(0.1249)
    (31, 13, 12)
    """
    return math.floor(100.0 * share + 0.5)


def signed(value: float, digits: int = 1) -> str:
    """A number with its sign and a true zero without one.

    Examples
    --------
    >>> signed(2.0), signed(-0.04), signed(-3.5)
    ('+2.0', '0.0', '-3.5')
    """
    shown = round(value, digits) + 0.0
    return f"{shown:+.{digits}f}" if shown else f"{0:.{digits}f}"


def pan_text(pan: float) -> str:
    """A pan in per cent with its side.

    Examples
    --------
    >>> pan_text(-0.354), pan_text(0.0), pan_text(1.0)
    ('L 35 %', 'centre', 'R 100 %')
    """
    percent = round(100.0 * pan)
    return f"{'L' if percent < 0 else 'R'} {abs(percent)} %" if percent else "centre"


def delay_samples(track: PlacedTrack, sample_rate: int) -> int:
    """Delay of the close position in samples; 0 where it is not aligned."""
    return round(track.close_delay_ms * 1e-3 * sample_rate) if track.aligned else 0


def delay_ms(track: PlacedTrack) -> float:
    """Delay of the close position in ms; 0 where it is not aligned."""
    return track.close_delay_ms if track.aligned else 0.0


def changes(before: PlacedTrack, after: PlacedTrack) -> dict[str, Any]:
    """What a person has to alter on one track, leaving out what is too small to bother with.

    Returns
    -------
    dict
        Any of "seat" (dx, dy in m), "pan" (difference), "width" (difference), "delay"
        (difference in ms) and "blend" ({position: (before, after)} in dB, None for off). What
        the cue holds is none of it: a delay that follows from other arrays is no move.
    """
    found: dict[str, Any] = {}
    free = after.free
    if before.seat and after.seat:
        moved = tuple(b - a for a, b in zip(before.seat, after.seat, strict=True))
        if math.hypot(*moved) >= SEAT_STEP:
            found["seat"] = moved
    for key in ("pan", "width"):
        change = getattr(after, key) - getattr(before, key)
        if abs(change) >= PAN_STEP:
            found[key] = change
    aligned_anew = before.aligned != after.aligned or "seat" in found
    if aligned_anew and abs(delay_ms(after) - delay_ms(before)) >= DELAY_STEP_MS:
        found["delay"] = delay_ms(after) - delay_ms(before)
    blend = {
        position: (before.blend_db.get(position), gain)
        for position, gain in after.blend_db.items()
        if gain_changed(before.blend_db.get(position), gain)
    }
    found |= {"blend": blend} if blend else {}
    return {key: change for key, change in found.items() if key in free}


def still_words(before: PlacedTrack, after: PlacedTrack) -> str:
    """A track without a move; what other microphones or tracks ask for, and whether it is held."""
    change = rounded(after.make_up_db, 0.1)
    told = [f"make-up {signed(change)} dB"] if abs(change) >= FADER_STEP_DB / 2.0 else []
    if abs(delay_ms(after) - delay_ms(before)) >= DELAY_STEP_MS:
        told.append(f"alignment of close to tree {delay_ms(after):.1f} ms with these arrays")
    if not after.free:
        told.insert(0, "held by the cue")
    return f"{before.name} ({', '.join(told)})" if told else f"{before.name}"


def gain_changed(before: float | None, after: float | None) -> bool:
    """Whether a position's gain differs by a fader step, or is switched."""
    if before is None or after is None:
        return (before is None) != (after is None)
    return bool(abs(after - before) >= FADER_STEP_DB / 2.0)


def gain_text(gain: float | None) -> str:
    """Gain of a microphone position as it is set; what the cue file gives keeps its digits.

    Examples
    --------
    >>> gain_text(-4.0), gain_text(0.0), gain_text(-2.5), gain_text(None)
    ('-4 dB', '0 dB', '-2.5 dB', 'off')
    """
    return "off" if gain is None else f"{round(gain, 2) + 0.0:+g} dB".replace("+0 dB", "0 dB")


def seat_words(seat: Sequence[float]) -> str:
    """Say where a seat is, from the conductor.

    Examples
    --------
    >>> seat_words((3.2, 5.1)), seat_words((-0.5, -1.0)), seat_words((0.0, 2.0))
    ('3.2 m right, 5.1 m back', '0.5 m left, 1 m in front', 'in the middle, 2 m back')
    """
    x, y = round(seat[0], 2), round(seat[1], 2)
    side = f"{abs(x):g} m {'left' if x < 0 else 'right'}" if x else "in the middle"
    return f"{side}, {abs(y):g} m {'in front' if y < 0 else 'back'}"


def side_text(value: float, digits: int = 0) -> str:
    """A side and how far: of an angle in degrees or of a level in dB.

    Examples
    --------
    >>> side_text(-17.5), side_text(3.73, 1), side_text(0.04, 1)
    ('L 18', 'R 3.7', 'even')
    """
    size = round(abs(value), digits)
    return f"{'L' if value < 0 else 'R'} {size:.{digits}f}" if size else "even"


def side_limits(result: Result) -> tuple[float, float]:
    """Most that one side of a layer, and of its late sound, may be louder, dB."""
    return result.limits.side_db, result.limits.room_side_db
