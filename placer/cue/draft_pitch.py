"""Which notes a stem plays: how its strongest pitch moves, and how much sound it explains.

*Conventions*: sound (frame,) at `RATE`; pitch as MIDI number (69 is 440 Hz); times in s. Analysis
frames begin `HOP` samples apart.

`Line`: what is found. `line_of`: the line of a sound.

Sources
-------
Salience of a pitch as a weighted sum over its harmonics: Klapuri (2006), Multiple fundamental
frequency estimation by summing harmonic amplitudes, Proc. ISMIR, 216-221; the weights here only
fall with the harmonic's number. Equal temperament: ISO 16. Spectral flatness: geometric against
arithmetic mean of a power spectrum (Gray & Markel 1974, IEEE Trans. ASSP 22(3), 207-217).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

from sim.bands import FloatArray
from sim.decibel import energy_db

RATE = 8000
"""Hz; harmonics up to 3.8 kHz tell the pitch of every orchestral instrument."""
WINDOW, SIZE, HOP = 2048, 4096, 512
"""Samples: 256 ms resolve a semitone from 60 Hz on; hops of 64 ms follow eighth notes."""
NOTES = np.arange(24, 97)
"""C1 to C7, MIDI."""
HARMONICS, FALL = 10, 0.86
"""How many harmonics count, and the weight of each against the one below it."""
SEMITONE_SHARE = 0.35
"""Half width of a harmonic's window, semitones, where that is wider than the window's lobe."""
SOUNDING_DB = 25.0
"""A frame has a pitch if it lies within this of the loud ones."""
NOTE_FRAMES = 3
"""Frames that a pitch must last to count as a note, about 0.2 s."""
CHUNK = 1024
"""Frames transformed at a time."""
IntArray = NDArray[np.integer]


@dataclass(frozen=True, slots=True)
class Line:
    """The line of the strongest pitch.

    Attributes
    ----------
    pitch : median, MIDI
    span : semitones between its 10 % and 90 % quantiles
    kinds : different pitches that last as notes
    moves : changes from one such note to another pitch, a second of sound
    steps : share of the moves that are a semitone or a tone
    note : usual length of a note, s
    steady : share of the sound that such notes fill, 0 to 1
    explained : share of the energy that the pitch and its harmonics hold, 0 to 1
    flatness_db : spectral flatness, 0 for white noise
    """

    pitch: float
    span: float
    kinds: int
    moves: float
    steps: float
    note: float
    steady: float
    explained: float
    flatness_db: float


def line_of(sound: FloatArray) -> Line:
    """Follow the strongest pitch of a sound.

    Parameters
    ----------
    sound : (frame,)
        At `RATE`, not silent.

    Returns
    -------
    Line
    """
    padded = np.pad(sound, (WINDOW // 2, WINDOW // 2 + HOP)).astype(np.float32)
    views = np.lib.stride_tricks.sliding_window_view(padded, WINDOW)[::HOP]
    parts = [_frames(views[start : start + CHUNK]) for start in range(0, len(views), CHUNK)]
    power, pitches, explained, flatness = (
        np.concatenate(part) for part in zip(*parts, strict=True)
    )
    level = energy_db(power)
    sounding = level > np.percentile(level, 95) - SOUNDING_DB
    notes, lengths = _notes(np.where(sounding, pitches, 0))
    moves = np.diff(notes)[np.diff(notes) != 0]
    heard = pitches[sounding]
    seconds = max(float(sounding.sum()) * HOP / RATE, 0.1)
    low, middle, high = np.percentile(heard, (10, 50, 90))
    return Line(
        pitch=float(middle),
        span=float(high - low),
        kinds=len(set(notes.tolist())),
        moves=len(moves) / seconds,
        steps=float(np.mean(np.abs(moves) <= 2)) if len(moves) else 0.0,
        note=float(np.median(lengths)) * HOP / RATE if len(lengths) else 0.0,
        steady=float(lengths.sum() / sounding.sum()),
        explained=float(np.median(explained[sounding])),
        flatness_db=float(np.median(flatness[sounding])),
    )


def _frames(views: FloatArray) -> tuple[FloatArray, IntArray, FloatArray, FloatArray]:
    """Power, strongest pitch, its share of the energy and flatness of each frame."""
    spectrum = rfft(views * np.hanning(WINDOW).astype(np.float32), SIZE, axis=1)
    power = np.square(spectrum.real) + np.square(spectrum.imag)
    pitches = NOTES[np.argmax(np.sqrt(np.sqrt(power)) @ _salience().T, axis=1)]
    total = power.sum(axis=1)
    explained = np.zeros(len(power))
    for pitch in np.unique(pitches):
        rows = pitches == pitch
        explained[rows] = power[rows][:, _comb(int(pitch))].sum(axis=1)
    floor = power[:, ::2] + np.float32(1e-12)  # zero padding has doubled the bins
    flatness = 10.0 * (np.log10(floor).mean(axis=1) - np.log10(floor.mean(axis=1)))
    return total, pitches, explained / np.maximum(total, 1e-20), flatness


@cache
def _salience() -> FloatArray:
    """Weights (note, bin) that sum the harmonics of each note."""
    frequency = np.fft.rfftfreq(SIZE, 1.0 / RATE)
    weights = np.zeros((NOTES.size, frequency.size), np.float32)
    for row, note in zip(weights, NOTES, strict=True):
        for number in range(1, HARMONICS + 1):
            centre = number * _hertz(int(note))
            if centre < 0.475 * RATE:
                width = max(centre * (2 ** (SEMITONE_SHARE / 12) - 1), 0.75 * RATE / WINDOW)
                lobe = np.exp(-0.5 * np.square((frequency - centre) / width))
                row += FALL ** (number - 1) * lobe / lobe.sum()
    return weights


@cache
def _comb(pitch: int) -> NDArray[np.bool_]:
    """Bins near a harmonic of a pitch."""
    frequency = np.fft.rfftfreq(SIZE, 1.0 / RATE)
    number = np.maximum(np.round(frequency / _hertz(pitch)), 1.0)
    centre = number * _hertz(pitch)
    width = np.maximum(centre * (2 ** (0.25 / 12) - 1), 1.6 * RATE / WINDOW)
    return np.asarray(np.abs(frequency - centre) < width)


def _hertz(pitch: int) -> float:
    return float(440.0 * 2.0 ** ((pitch - 69) / 12))


def _notes(pitches: IntArray) -> tuple[IntArray, IntArray]:
    """Pitches that last as notes, in order, and their lengths in frames; 0 is no pitch."""
    starts = np.flatnonzero(np.diff(pitches, prepend=-1))
    lengths = np.diff(starts, append=pitches.size)
    kept = (lengths >= NOTE_FRAMES) & (pitches[starts] > 0)
    return pitches[starts][kept], lengths[kept]
