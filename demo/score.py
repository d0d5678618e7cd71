"""Which notes does the demo cue have.

*Everything here is invented*: the scene, the place names, the music and every number in it.

    "Ice at Vellmouth". Night. The ferry Anselma Grey has to break four kilometres of river ice
    to reach a village before the dam above it gives way. The engine hammers, the hull rides up on
    the ice, hangs there, and drops.

Sixteen bars of 4/4 at 128 beats a minute: 30 s. All twelve layers play from the first bar, and the
layers of the low strings share one register on purpose: the running figure (`ostinato`, C2 to D3)
and the held chords (`bed`, C2 to G3) hide each other, the basses, bassoons, trombones, timpani and
the low drum sit on top of both.

*Conventions*: time in beats (quarter notes), pitch as MIDI number (69 = A4 = 440 Hz, 38 = D2),
velocity 0 to 1.

`score`: all parts, cut to a length in seconds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

TEMPO = 128.0
"""Beats a minute; 16 bars of four beats last 30 s."""

BEATS = 64.0
"""Length of the music in beats; the last chord is released one beat before."""


@dataclass(frozen=True, slots=True)
class Note:
    """One written note.

    Attributes
    ----------
    start, length : beats
    pitch : MIDI number
    velocity : 0 to 1
    desk : which half of a divided section plays it (0 or 1), or -1 for all
    """

    start: float
    length: float
    pitch: int
    velocity: float
    desk: int = -1


HARMONY = ("Dm", "Dm", "Bb", "C", "Dm", "Gm", "Eb", "A") + (
    "Dm",
    "F",
    "Gm",
    "Bb",
    "F",
    "Eb",
    "A",
    "Dm",
)
"""One chord a bar."""

# chord: ostinato root, bass, the four voices of the bed, the four of the choir
CHORDS: dict[str, tuple[int, int, tuple[int, ...], tuple[int, ...]]] = {
    "Dm": (38, 26, (38, 45, 50, 53), (50, 57, 62, 65)),
    "Bb": (38, 34, (38, 46, 50, 53), (50, 58, 62, 65)),
    "C": (36, 24, (36, 43, 48, 52), (48, 55, 60, 67)),
    "Gm": (43, 31, (38, 43, 50, 55), (50, 58, 62, 67)),
    "Eb": (39, 27, (39, 46, 51, 55), (51, 58, 63, 67)),
    "A": (45, 33, (40, 45, 49, 52), (49, 57, 61, 64)),
    "F": (41, 29, (41, 45, 48, 53), (48, 57, 60, 65)),
}

# sixteenths of a bar: (step, interval above the root, accent); a gallop, accented 3 + 3 + 2 eighths
GALLOP = (
    (0, 0, 1.0), (2, 0, 0.6), (3, 0, 0.55), (4, 7, 0.7), (6, 0, 1.0), (7, 0, 0.55),
    (8, 3, 0.65), (10, 0, 0.6), (11, 1, 0.6), (12, 7, 1.0), (13, 5, 0.65), (14, 3, 0.75),
    (15, 1, 0.7),
)  # fmt: skip

DOWNWARD = {0: 0, 1: -1, 3: -4, 5: -5, 7: -5}
"""The figure's intervals turned downwards: from G2 up it stays among the notes of the bed so."""

MAJOR = ("C", "F", "Eb", "A")
"""Chords whose third above the figure's root is a major one."""

# (pitch or 0 for a rest, beats): the tune of the horns, sixteen bars
HORN_TUNE = (
    (57, 3), (60, 1), (62, 2), (64, 1), (65, 1), (65, 3), (62, 1), (64, 2), (60, 1), (55, 1),
    (57, 3), (62, 1), (67, 2), (65, 1), (62, 1), (63, 3), (67, 1), (64, 3), (61, 1),
    (62, 3), (65, 1), (69, 3), (65, 1), (67, 2), (62, 2), (65, 3), (62, 1),
    (60, 2), (65, 2), (63, 2), (58, 2), (57, 2), (61, 2), (62, 3), (0, 1),
)  # fmt: skip

VIOLIN_TUNE = (
    (74, 1.5), (77, 0.5), (81, 2), (79, 1), (77, 1), (76, 1), (74, 1),
    (77, 1.5), (74, 0.5), (82, 2), (79, 1), (76, 1), (72, 2),
    (74, 1), (77, 1), (81, 1), (84, 1), (82, 2), (79, 1), (74, 1),
    (79, 1.5), (82, 0.5), (87, 2), (85, 2), (81, 1), (76, 1),
    (86, 3), (81, 1), (84, 2), (81, 1), (77, 1), (82, 1), (79, 1), (74, 2),
    (77, 1), (82, 1), (86, 2), (84, 2), (81, 2), (82, 1), (79, 1), (75, 2),
    (76, 1), (79, 1), (81, 1), (85, 1), (86, 3), (0, 1),
)  # fmt: skip

WIND_WAVE = (0, 3, 7, 12, 15, 12, 7, 3, 0, 3, 7, 12, 15, 19, 15, 12)
"""Sixteenths of the high woodwinds: intervals above their root, up and over."""


def _swell(beat: float) -> float:
    """Dynamics of the whole cue: the ship climbs to bar 8, falls back, and climbs to the end."""
    if beat < 32.0:
        return 0.72 + 0.2 * beat / 32.0
    return 0.75 + 0.25 * (beat - 32.0) / 32.0


def _bars() -> Iterator[tuple[float, str]]:
    """Yield the first beat and the chord of each bar."""
    return ((4.0 * bar, chord) for bar, chord in enumerate(HARMONY))


def _line(
    tune: tuple[tuple[int, float], ...], velocity: float, octave: int = 0, desk: int = -1
) -> list[Note]:
    """Lay a tune of (pitch, beats) end to end; pitch 0 is a rest."""
    notes, beat = [], 0.0
    for pitch, length in tune:
        if pitch:
            notes.append(
                Note(beat, length * 0.97, pitch + 12 * octave, velocity * _swell(beat), desk)
            )
        beat += length
    return notes


def _ostinato() -> list[Note]:
    notes = []
    for beat, chord in _bars():
        root = CHORDS[chord][0]
        for step, interval, accent in GALLOP:
            start = beat + step / 4.0
            third = 1 if interval == 3 and chord in MAJOR else 0
            move = interval + third if root < 43 else DOWNWARD[interval]
            notes.append(Note(start, 0.22, root + move, accent * _swell(start)))
    return [note for note in notes if note.start < BEATS - 1.0]


def _bed() -> list[Note]:
    return [
        Note(beat, 3.95 if beat < 60 else 2.9, pitch, 0.8 * _swell(beat), voice % 2)
        for beat, chord in _bars()
        for voice, pitch in enumerate(CHORDS[chord][2])
    ]


def _basses() -> list[Note]:
    notes = []
    for beat, chord in _bars():
        low = CHORDS[chord][1]
        high = low + 12 if low < 31 else low
        last = beat >= 60
        notes += [
            Note(beat, 2.9, low, 0.85 * _swell(beat), 0),
            Note(beat, 1.45, high, 0.9 * _swell(beat), 1),
            Note(beat + 1.5, 1.45, high, 0.9 * _swell(beat), 1),
        ]
        if not last:
            notes += [Note(beat + 3.0, 0.9, low, 0.95 * _swell(beat))]
    return notes


def _bassoons() -> list[Note]:
    notes = []
    for beat, chord in _bars():
        root, low = CHORDS[chord][:2]
        for start, length in ((0.0, 1.2), (1.5, 1.2), (3.0, 0.8)):
            if beat + start < BEATS - 1.0:
                level = 0.9 * _swell(beat)
                notes += [
                    Note(beat + start, length, root, level, 0),
                    Note(beat + start, length, low if low > 25 else low + 12, level, 1),
                ]
    return notes


def _trombones() -> list[Note]:
    notes = []
    for beat, chord in _bars():
        voices = CHORDS[chord][2][:3]
        loud = 0.7 * _swell(beat)
        for index, pitch in enumerate(voices):
            notes += [Note(beat, 2.4, pitch, loud, index % 2)]
            if beat < 60:
                notes += [Note(beat + 2.5, 0.4, pitch, loud * 1.25, index % 2)]
                notes += [Note(beat + 3.0, 0.8, pitch, loud * 1.25, index % 2)]
    return notes


def _violas() -> list[Note]:
    return [
        Note(beat, 3.95 if beat < 60 else 2.9, pitch, 0.75 * _swell(beat), desk)
        for beat, chord in _bars()
        for desk, pitch in enumerate(CHORDS[chord][3][1:3])
    ]


def _choir() -> list[Note]:
    return [
        Note(beat, 3.9 if beat < 60 else 2.8, pitch, 0.7 * _swell(beat), voice % 2)
        for beat, chord in _bars()
        for voice, pitch in enumerate(CHORDS[chord][3])
    ]


def _woodwinds() -> list[Note]:
    notes = []
    for bar, (beat, chord) in enumerate(_bars()):
        above = CHORDS[chord][0] - 38
        root = 74 + (above if above < 7 else above - 12)
        for step, interval in enumerate(WIND_WAVE):
            if bar % 4 == 3 and step >= 12:
                continue  # a breath at the end of every fourth bar
            third = 1 if chord in MAJOR and interval in (3, 15) else 0
            accent = 0.9 if step in (0, 6, 12) else 0.65
            start = beat + step / 4.0
            notes.append(Note(start, 0.23, root + interval + third, accent * _swell(start)))
    return [note for note in notes if note.start < BEATS - 1.0]


def _timpani() -> list[Note]:
    notes = []
    for bar, (beat, _) in enumerate(_bars()):
        hits = [(0.0, 38, 1.0), (1.5, 38, 0.8), (3.0, 45, 0.9)]
        if bar % 4 == 3:  # a roll that grows into the next bar
            strokes = 20 if bar < 15 else 13
            hits = [(0.0, 38, 1.0)]
            hits += [(1.0 + 0.15 * i, 45, 0.35 + 0.025 * i) for i in range(strokes)]
        notes += [Note(beat + at, 1.0, pitch, level * _swell(beat)) for at, pitch, level in hits]
    return notes


def _drum() -> list[Note]:
    notes = []
    for bar, (beat, _) in enumerate(_bars()):
        hits = [(0.0, 1.0), (1.5, 0.75), (2.0, 0.55), (3.0, 0.9)]
        if bar % 2:
            hits += [(3.5, 0.7), (3.75, 0.6)]
        hits = hits if bar < 15 else [(0.0, 1.0), (1.5, 1.0)]
        notes += [Note(beat + at, 1.0, 31, level * _swell(beat)) for at, level in hits]
    return notes


def score(seconds: float) -> dict[str, tuple[Note, ...]]:
    """All twelve parts, cut to a length.

    Parameters
    ----------
    seconds : float
        Length in s; notes that would start later are left out, longer ones are shortened.

    Returns
    -------
    dict[str, tuple[Note, ...]]
        Part name to its notes in the order of time.
    """
    parts = {
        "ostinato": _ostinato(),
        "bed": _bed(),
        "basses": _basses(),
        "horns": _line(HORN_TUNE, 0.85),
        "violins": _line(VIOLIN_TUNE, 0.8, desk=0) + _line(VIOLIN_TUNE, 0.8, -1, desk=1),
        "violas": _violas(),
        "choir": _choir(),
        "bassoons": _bassoons(),
        "trombones": _trombones(),
        "timpani": _timpani(),
        "drum": _drum(),
        "woodwinds": _woodwinds(),
    }
    end = min(seconds * TEMPO / 60.0, BEATS)
    return {
        name: tuple(
            replace(note, length=min(note.length, end - note.start))
            for note in sorted(notes, key=lambda note: (note.start, note.pitch, note.desk))
            if note.start < end - 0.1
        )
        for name, notes in parts.items()
    }
