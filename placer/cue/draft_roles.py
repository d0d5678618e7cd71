"""What a layer does in the music, and which section it may be, from its sound alone.

*Conventions*: as `draft_sound` and `draft_pitch`: times in s, pitch as MIDI number, shares 0 to 1.

`role_by_ear`, `section_by_ear`: guesses for one stem. `slower_tunes`: which tunes of a folder are
counter melodies.

Sources
-------
What tells roles apart (register, attack, even repetition, one moving voice): common practice, no
source. Thresholds: set on three seeds of drawn music on sampled instruments and judged on others
(tests/sampled/test_draft.py).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from placer.cue.draft_sound import Sound

SLOWER = 0.55
"""A tune that moves less than this share of what the tunes of the folder do answers them."""


def percussive(sound: Sound) -> bool:
    """Tell whether a stem is struck: sharp attacks that die away, noise, a skin's loose pitch."""
    line = sound.line
    tone = line.explained > 0.9 and line.steady > 0.9 and line.note > 0.4
    sharp = sound.attack > 0.9 and sound.held < 0.5 and not tone
    noise = line.flatness_db > -15.0 and line.explained < 0.45
    kettle = sound.attack > 0.7 and line.explained < 0.45 and sound.middle < 300.0
    skin = sound.middle < 130.0 and line.steady < 0.8
    return sharp or noise or kettle or skin


def tuneful(sound: Sound) -> bool:
    """Tell whether one voice moves over a range, now and then by step."""
    line = sound.line
    moving = line.moves >= 0.3 and line.kinds >= 3 and line.span >= 2.5
    return moving and line.explained >= 0.85


def running(sound: Sound) -> bool:
    """Tell whether a figure strikes evenly and comes again; a tune comes again only loosely."""
    line = sound.line
    if tuneful(sound) and line.kinds >= 4 and line.steps >= 0.2 and sound.repeat < 0.65:
        return False
    even = sound.attack > 0.15 and sound.pulse > 0.28 and sound.repeat > 0.5
    return even or (sound.repeat > 0.7 and sound.held < 0.9 and line.moves > 1.5)


def stabbing(sound: Sound) -> bool:
    """Tell whether a stem plays short chords with silence, or their decay, between them."""
    line = sound.line
    gaps = sound.silence > 0.3 and sound.repeat > 0.7 and sound.held < 0.8
    few = sound.onsets * (1.0 - sound.silence) < 4.8
    return gaps or (few and line.explained < 0.57 and sound.held < 0.6 and line.note > 0.25)


def low_voice(sound: Sound) -> bool:
    """Tell whether one low voice, below A2, moves slowly."""
    line = sound.line
    slow = line.moves < 0.7 or line.note > 0.7
    return line.pitch <= 44 and line.explained > 0.7 and line.steady > 0.9 and slow


def role_by_ear(sound: Sound) -> tuple[str, str]:
    """Guess a role, and say why; the first that fits counts."""
    line = sound.line
    if percussive(sound):
        return "percussion", f"sharp attacks or no clear pitch, {100 * sound.held:.0f} % held"
    if low_voice(sound):
        return "bass", f"one low voice near {note_name(line.pitch)}"
    if stabbing(sound):
        return "accent", f"short chords, {100 * sound.held:.0f} % held"
    if running(sound):
        return "ostinato", f"strikes evenly and repeats itself ({100 * sound.repeat:.0f} % alike)"
    if tuneful(sound):
        return "melody", f"one voice that moves over {line.span:.0f} semitones"
    if line.explained < 0.46:
        return "pad", "many notes at once, none of them stands out"
    return "bed", f"long notes, {line.moves:.1f} moves a second"


def note_name(pitch: float) -> str:
    """Name a pitch: 69 is A4 (scientific pitch notation).

    Examples
    --------
    >>> note_name(69), note_name(31)
    ('A4', 'G1')
    """
    names = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
    return f"{names[round(pitch) % 12]}{round(pitch) // 12 - 1}"


def section_by_ear(sound: Sound) -> tuple[str, str]:
    """Guess a section from register and attack, and say why."""
    why = f"most energy near {sound.middle:.0f} Hz"
    if percussive(sound):
        drums = ((130.0, "low_drums"), (900.0, "percussion"), (3000.0, "high_drums"))
        return next((name for top, name in drums if sound.middle < top), "metals"), why
    players = ((90.0, "basses"), (260.0, "celli"), (450.0, "violas"), (2500.0, "violins"))
    return next((name for top, name in players if sound.middle < top), "other"), why


def slower_tunes(moves: Sequence[float]) -> list[bool]:
    """Tell which tunes of a folder move so much less than the others that they only answer them.

    Parameters
    ----------
    moves : sequence of float
        Changes of pitch a second of every tune.

    Examples
    --------
    >>> slower_tunes([1.2, 1.1, 0.4, 1.3])
    [False, False, True, False]
    """
    return [bool(one < SLOWER * np.median(moves)) for one in moves]
