"""Which notes do the two cues of sampled instruments have.

*Everything here is invented*, scenes, music and numbers:

"Quarry Run", 12 layers: two riders cross a blasting quarry; a low gallop, a low bed in the same
register, horns and celli on one tune. 16 bars of 4/4 at 132 beats a minute, 29 s.

"Tide Gate", 24 layers: the sluice keeper's family turns a seized wheel while the sea comes in;
broader, layered, every register occupied. 12 bars of 4/4 at 96 beats a minute, 30 s.

*Conventions*: time in beats, pitch as MIDI number, velocity 1 to 127, programs counted from 0
(General MIDI: 42 is the cello). A pattern's `degree` counts the chord's notes upwards from the
lowest one at or above `low`.

`Layer`, `Music`: records. `quarry_run`, `tide_gate`: the two cues.
"""

from __future__ import annotations

from dataclasses import dataclass

Event = tuple[float, float, int, int]
"""(start, length) in beats, pitch, velocity."""

Order = tuple[int, ...]

Chord = tuple[int, ...]
"""Pitch classes, root first (C = 0)."""

Step = tuple[float, float, int, int]
"""(start, length) in beats within the bar, degree, velocity."""

MINOR, MAJOR, SUSPENDED = (0, 3, 7), (0, 4, 7), (0, 5, 7)


@dataclass(frozen=True, slots=True)
class Layer:
    """One track: what is played by which General MIDI program, and how it stands in the cue."""

    name: str
    program: int
    section: str
    role: str
    level_db: float
    notes: tuple[Event, ...]
    group: str = ""
    priority: float = 1.0
    drums: bool = False
    stereo: bool = False


@dataclass(frozen=True, slots=True)
class Music:
    """A cue: its layers and its tempo in beats a minute."""

    name: str
    tempo: float
    beats: float
    layers: tuple[Layer, ...]


def chord(root: int, intervals: tuple[int, ...]) -> Chord:
    """Pitch classes of a chord."""
    return tuple((root + interval) % 12 for interval in intervals)


def degrees(tones: Chord, low: int) -> tuple[int, ...]:
    """Pitches of a chord upwards from `low`, three octaves of them."""
    return tuple(pitch for pitch in range(low, low + 36) if pitch % 12 in tones)


def root_at(tones: Chord, low: int) -> int:
    """Lowest pitch of the chord's root at or above `low`."""
    return low + (tones[0] - low) % 12


def held(
    harmony: tuple[Chord, ...], low: int, picks: tuple[int, ...], velocity: int
) -> tuple[Event, ...]:
    """One long chord a bar: the degrees `picks` above `low`."""
    return tuple(
        (4.0 * bar, 3.95, degrees(tones, low)[pick], velocity)
        for bar, tones in enumerate(harmony)
        for pick in picks
    )


def figure(harmony: tuple[Chord, ...], low: int, steps: tuple[Step, ...]) -> tuple[Event, ...]:
    """The same figure in every bar, on the degrees of its chord."""
    return tuple(
        (4.0 * bar + start, length, degrees(tones, low)[degree], velocity)
        for bar, tones in enumerate(harmony)
        for start, length, degree, velocity in steps
    )


def roots(harmony: tuple[Chord, ...], low: int, steps: tuple[Step, ...]) -> tuple[Event, ...]:
    """A bass line on the roots; a step's degree counts octaves."""
    return tuple(
        (4.0 * bar + start, length, root_at(tones, low) + 12 * degree, velocity)
        for bar, tones in enumerate(harmony)
        for start, length, degree, velocity in steps
    )


def tune(notes: tuple[tuple[int, float], ...], velocity: int, shift: int = 0) -> tuple[Event, ...]:
    """A melody of (pitch or 0, beats) laid end to end."""
    events, beat = [], 0.0
    for pitch, length in notes:
        if pitch:
            events.append((beat, length * 0.96, pitch + shift, velocity))
        beat += length
    return tuple(events)


def hits(
    bars: int, pitch: int, pattern: tuple[tuple[float, int], ...], every: int = 1
) -> tuple[Event, ...]:
    """Strokes of (beat, velocity) in every `every`-th bar."""
    return tuple(
        (4.0 * bar + start, 0.4, pitch, velocity)
        for bar in range(0, bars, every)
        for start, velocity in pattern
    )


def _even(
    count: int, spacing: float, length: float, *, order: Order, accents: Order
) -> tuple[Step, ...]:
    """Evenly spaced steps that walk through `order` with accents at the given steps."""
    return tuple(
        (spacing * i, length, order[i % len(order)], 112 if i in accents else 78)
        for i in range(count)
    )


QUARRY_HARMONY = tuple(
    chord(root, kind)
    for root, kind in (
        (4, MINOR), (4, MINOR), (0, MAJOR), (2, MAJOR), (4, MINOR), (9, MINOR),
        (5, MAJOR), (11, SUSPENDED),
    )
    * 2
)  # fmt: skip

QUARRY_TUNE = (
    (52, 2), (55, 1), (57, 1), (59, 3), (57, 1), (55, 2), (60, 2), (57, 2), (54, 2),
    (59, 2), (62, 1), (64, 1), (64, 3), (60, 1), (65, 2), (60, 2), (59, 2), (54, 2),
) * 2  # fmt: skip

TIDE_HARMONY = tuple(
    chord(root, kind)
    for root, kind in (
        (0, MINOR), (8, MAJOR), (3, MAJOR), (10, MAJOR), (0, MINOR), (5, MINOR),
        (8, MAJOR), (7, SUSPENDED), (0, MINOR), (3, MAJOR), (1, MAJOR), (7, MAJOR),
    )
)  # fmt: skip

TIDE_TUNE = (
    (63, 3), (62, 1), (60, 4), (58, 2), (55, 2), (58, 2), (62, 2), (63, 3), (67, 1), (68, 4),
    (67, 2), (63, 2), (62, 2), (60, 2), (60, 2), (63, 2), (67, 4), (65, 2), (61, 2), (59, 4),
)  # fmt: skip


def quarry_run() -> Music:
    """The 12-layer low action cue."""
    harmony, bars = QUARRY_HARMONY, len(QUARRY_HARMONY)
    gallop = _even(16, 0.25, 0.2, order=(0, 0, 0, 1, 0, 0, 2, 0), accents=(0, 6, 12))
    bass: tuple[Step, ...] = ((0, 1.4, 0, 100), (1.5, 1.4, 0, 96), (3, 0.9, 0, 100))
    kettle: tuple[Step, ...] = ((0, 0.9, 0, 112), (1.5, 0.9, 0, 92), (3, 0.9, 0, 104))
    drum = ((0, 118), (1.5, 96), (2, 80), (3, 108), (3.5, 90))
    stabs: tuple[Step, ...] = tuple(
        (start, 0.7, pick, 104) for start in (0, 1.5, 3) for pick in (0, 1, 2)
    )
    low = held(harmony, 36, (0, 1, 2, 3), 88)
    answer = tuple((pitch + 12, beats) for pitch, beats in QUARRY_TUNE)
    layers = (
        Layer("ostinato", 42, "celli", "ostinato", -23.5, figure(harmony, 36, gallop)),
        Layer("bed", 48, "low_strings", "bed", -21.5, low, stereo=True),
        Layer("basses", 43, "basses", "bass", -22.5, roots(harmony, 28, bass)),
        Layer("horns", 60, "horns", "melody", -22.0, tune(QUARRY_TUNE, 104), group="tune"),
        Layer("celli", 42, "celli", "melody", -24.5, tune(QUARRY_TUNE, 100), group="tune"),
        Layer("violins", 48, "violins_1", "melody", -23.0, tune(answer, 100, 12)),
        Layer("violas", 44, "violas", "bed", -25.5, held(harmony, 55, (0, 1), 90)),
        Layer("choir", 52, "choir", "pad", -25.0, held(harmony, 50, (0, 1, 2, 3), 92), stereo=True),
        Layer("bassoons", 70, "bassoons", "ostinato", -26.0, roots(harmony, 36, bass)),
        Layer("trombones", 57, "trombones", "accent", -24.0, figure(harmony, 40, stabs)),
        Layer("timpani", 47, "timpani", "percussion", -25.0, roots(harmony, 40, kettle)),
        Layer("low_drum", 116, "low_drums", "percussion", -25.0, hits(bars, 40, drum)),
    )  # fmt: skip
    return Music("Quarry Run (invented)", 132.0, 4.0 * bars, layers)


def tide_gate() -> Music:
    """The 24-layer cue with every register occupied."""
    harmony, bars = TIDE_HARMONY, len(TIDE_HARMONY)
    wheel = _even(16, 0.25, 0.22, order=(0, 2, 1, 2), accents=(0, 4, 8, 12))
    turn = _even(8, 0.5, 0.42, order=(0, 1, 2, 1), accents=(0, 3, 6))
    spray = _even(16, 0.25, 0.22, order=(0, 1, 2, 3, 4, 3, 2, 1), accents=(0, 8))
    slow: tuple[Step, ...] = ((0, 2.9, 0, 96), (3, 0.95, 0, 100))
    pluck: tuple[Step, ...] = ((0, 0.5, 0, 112), (1.5, 0.5, 0, 98), (2.5, 0.5, 0, 98))
    call: tuple[Step, ...] = ((0, 0.4, 0, 100), (0.75, 0.2, 0, 92), (1, 0.8, 1, 104))
    kettle: tuple[Step, ...] = ((0, 0.9, 0, 114), (2.5, 0.9, 0, 92), (3, 0.9, 0, 102))
    drum = ((0, 120), (2, 96), (3.5, 84))
    swell: tuple[Step, ...] = tuple((2, 1.95, pick, 100) for pick in (0, 1, 2))
    low = held(harmony, 36, (0, 1, 2), 90)
    high = tuple((pitch + 12, beats) for pitch, beats in TIDE_TUNE)
    layers = (
        Layer("low_wheel", 42, "celli", "ostinato", -24.0, figure(harmony, 36, wheel)),
        Layer("low_bed", 49, "low_strings", "bed", -22.5, low, stereo=True),
        Layer("basses_long", 43, "basses", "bass", -22.5, roots(harmony, 28, slow), group="floor"),
        Layer("basses_pizz", 45, "basses", "accent", -26.0, roots(harmony, 36, pluck)),
        Layer("tuba", 58, "tuba", "bass", -25.0, roots(harmony, 29, slow), group="floor"),
        Layer("low_reeds", 70, "bassoons", "bass", -28.0, roots(harmony, 34, slow), group="floor"),
        Layer("bass_clarinet", 71, "clarinets", "ostinato", -27.5, figure(harmony, 38, turn)),
        Layer("bassoons", 70, "bassoons", "ostinato", -27.0, figure(harmony, 43, turn)),
        Layer("trombones", 57, "trombones", "bed", -25.0, figure(harmony, 43, swell)),
        Layer("horns", 60, "horns", "melody", -23.0, tune(TIDE_TUNE, 104), "tune", 1.3),
        Layer("celli", 42, "celli", "melody", -25.0, tune(TIDE_TUNE, 100), group="tune"),
        Layer("viola_wheel", 41, "violas", "ostinato", -26.0, figure(harmony, 55, wheel)),
        Layer("violas_tremolo", 44, "violas", "bed", -27.0, held(harmony, 55, (0, 2), 88)),
        Layer("violins_1", 48, "violins_1", "melody", -24.0, tune(high, 102, 12), "high tune"),
        Layer("violins_2", 40, "violins_2", "melody", -25.5, tune(high, 98), "high tune"),
        Layer("trumpets", 56, "trumpets", "accent", -27.0, figure(harmony, 60, call)),
        Layer("english_horn", 69, "oboes", "counter_melody", -28.0, tune(TIDE_TUNE, 92)),
        Layer("oboe", 68, "oboes", "bed", -29.5, held(harmony, 67, (0,), 90)),
        Layer("flutes", 73, "flutes", "ostinato", -28.0, figure(harmony, 74, spray)),
        Layer("piccolo", 72, "flutes", "ostinato", -32.0, figure(harmony, 86, spray)),
        Layer("choir", 52, "choir", "pad", -25.0, held(harmony, 48, (0, 1, 2, 4), 94), stereo=True),
        Layer("harp", 46, "harp", "ostinato", -29.0, figure(harmony, 48, spray)),
        Layer("timpani", 47, "timpani", "percussion", -26.0, roots(harmony, 38, kettle)),
        Layer("bass_drum", 48, "low_drums", "percussion", -26.0, hits(bars, 36, drum), drums=True),
    )  # fmt: skip
    return Music("Tide Gate (invented)", 96.0, 4.0 * bars, layers)


CUES = {"quarry": quarry_run, "tide": tide_gate}
"""The cues by the short name that `make_sampled` takes."""
