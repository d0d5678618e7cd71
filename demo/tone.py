"""How does a section of several players sound a note.

A player is a periodic wave (bow, lips or reed: many harmonics, brighter when louder) with his own
tuning, vibrato, drift and timing, read from a band-limited table. A desk's sum then goes through
the spectral envelope of the instrument (body, bell or vowel), which stays where it is while the
pitch moves: that is what makes a vibrato sound like one.

*Conventions*: time in s, frequency in Hz, arrays (player, frame) and (desk, frame), float32;
control values every `STEP` frames. Everything follows from the generator that is passed in.

`Voice`: how an instrument speaks. `play_note`: one note by several players.
`spectral_envelope`: minimum-phase taps from a few (Hz, dB) points.

Sources
-------
Wave forms: a bowed string is near a sawtooth (Helmholtz motion), lips and reeds are pulses whose
high harmonics grow faster than the low ones with level (textbook knowledge; from memory). Vibrato
of 5 to 6.5 Hz and of 10 to 30 cents: common practice, no source.
Minimum phase from a magnitude through the folded real cepstrum: Oppenheim & Schafer,
"Discrete-Time Signal Processing", chapter on the cepstrum (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]

SAMPLE_RATE = 48000
"""Hz of every stem."""

STEP = 32
"""Frames between control values (0.67 ms)."""

TABLE = 1 << 15
"""Frames of a wave table: read without interpolation, its rounding stays near -65 dB."""

HIGHEST = 15000.0
"""Hz; no harmonic above it, so that vibrato and bright layers cannot alias."""

DISPERSION = 0.04
"""Radians of quadratic phase a harmonic; by ear and by crest factor."""

LAYERS = 5
"""Velocity layers of a voice."""


@dataclass(frozen=True, slots=True)
class Voice:
    """How an instrument speaks.

    Attributes
    ----------
    slope : exponents of the harmonics' fall (k to the minus), softest and loudest
    even : level of the even harmonics (1 all, small for a closed cylinder)
    attack, release : s to speak and to fall silent
    sustain : level that a held note settles to after its attack, and the s this takes
    vibrato : cents to either side, and Hz
    detune, spread : how far players differ in cents and in s
    scoop : cents below the pitch at which a note begins
    tremolo : bow strokes a second of an unmeasured tremolo, 0 for none
    noise, chiff : bow or breath noise against the tone: held, and at the attack
    """

    slope: tuple[float, float]
    even: float = 1.0
    attack: float = 0.08
    release: float = 0.12
    sustain: tuple[float, float] = (0.85, 0.3)
    vibrato: tuple[float, float] = (14.0, 5.6)
    detune: float = 5.0
    spread: float = 0.012
    scoop: float = 0.0
    tremolo: float = 0.0
    noise: float = 0.02
    chiff: float = 0.08


def frequency(pitch: float) -> float:
    """Hz of a MIDI number: 440 * 2^((pitch - 69) / 12)."""
    return 440.0 * float(2.0 ** ((pitch - 69.0) / 12.0))


@lru_cache(maxsize=512)
def wave_table(pitch: int, slope: float, even: float) -> FloatArray:
    """One period of a wave with harmonics k^-slope below `HIGHEST`, rms 1; shape (TABLE,)."""
    count = max(int(HIGHEST / frequency(pitch)), 1)
    order = np.arange(1, count + 1)
    level = order**-slope * np.where(order % 2 == 0, even, 1.0)
    level *= np.clip((count + 1 - order) / (0.2 * count + 1.0), 0.0, 1.0)  # a soft upper edge
    spectrum = np.zeros(TABLE // 2 + 1, dtype=complex)
    # the later harmonics arrive later in the period, as from a real tube: no needle-like peaks
    spectrum[1 : count + 1] = level * np.exp(-1j * (0.5 * np.pi + DISPERSION * (order - 1) ** 2))
    wave = np.fft.irfft(spectrum, TABLE)
    return np.asarray(wave / np.sqrt(np.mean(wave**2)), dtype=np.float32)


def _upsample(control: FloatArray, frames: int) -> FloatArray:
    """Straight lines between control values `STEP` frames apart; (player, frames)."""
    ramp = np.arange(STEP, dtype=control.dtype) / STEP
    lines = control[:, :-1, None] + np.diff(control, axis=1)[:, :, None] * ramp
    flat: FloatArray = lines.reshape(control.shape[0], -1)[:, :frames]
    return flat


def _pitch_curve(
    voice: Voice, time: FloatArray, players: int, rng: np.random.Generator
) -> FloatArray:
    """Cents from the written pitch of each player at each control time; (player, time)."""
    depth, rate = voice.vibrato
    draw = rng.standard_normal((players, 5))[:, :, None]
    turn = rng.uniform(0.0, 2.0 * np.pi, (players, 3))[:, :, None]
    onset = np.clip((time - 0.1) / 0.35, 0.0, 1.0)  # vibrato grows after the attack
    swing = depth * (1.0 + 0.25 * draw[:, 0]) * onset
    cents = voice.detune * draw[:, 1]
    cents = cents + swing * np.sin(
        2.0 * np.pi * rate * (1.0 + 0.08 * draw[:, 2]) * time + turn[:, 0]
    )
    cents += 2.5 * np.sin(2.0 * np.pi * 0.7 * (1.0 + 0.2 * draw[:, 3]) * time + turn[:, 1])
    cents += 1.5 * np.sin(2.0 * np.pi * 2.3 * (1.0 + 0.2 * draw[:, 4]) * time + turn[:, 2])
    curve: FloatArray = cents - voice.scoop * np.exp(-time / 0.035)
    return curve


def _loudness_curve(
    voice: Voice, time: FloatArray, length: float, *, players: int, rng: np.random.Generator
) -> FloatArray:
    """Envelope of each player, 0 at both ends; (player, time)."""
    late = voice.spread * np.abs(rng.standard_normal((players, 1)))
    quick = 1.0 + 0.15 * rng.standard_normal((players, 1))
    rise = np.clip((time - late) / (voice.attack * np.clip(quick, 0.6, 1.5)), 0.0, 1.0)
    fall = np.clip((length + voice.release - time) / voice.release, 0.0, 1.0)
    level, settle = voice.sustain
    held = level + (1.0 - level) * np.exp(-np.maximum(time - late - voice.attack, 0.0) / settle)
    turn = rng.uniform(0.0, 2.0 * np.pi, (players, 2))[:, :, None]
    sway = 1.0 + 0.08 * np.sin(2.0 * np.pi * 1.7 * time + turn[:, 0])
    curve = np.sin(0.5 * np.pi * rise) ** 2 * np.sin(0.5 * np.pi * fall) ** 2 * held * sway
    if voice.tremolo:
        stroke = np.pi * voice.tremolo * (1.0 + 0.06 * rng.standard_normal((players, 1)))
        curve = curve * (0.3 + 0.7 * np.abs(np.sin(stroke * time + turn[:, 1])))
    return np.asarray(curve)


def play_note(
    voice: Voice,
    pitch: int,
    length: float,
    *,
    velocity: float,
    players: int,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """Sound one note by several players.

    Parameters
    ----------
    voice : Voice
    pitch : int
        MIDI number.
    length : float
        s until the release begins.
    velocity : float
        0 to 1; sets level and brightness.
    players : int
    rng : numpy.random.Generator

    Returns
    -------
    tone : (frames,) FloatArray
        Sum of the players; rms near sqrt(players) times the velocity's level.
    noise : (frames,) FloatArray
        Gain of the bow or breath noise over time.
    """
    frames = int((length + voice.release) * SAMPLE_RATE)
    time = np.arange(frames // STEP + 2) * (STEP / SAMPLE_RATE)
    cents = _pitch_curve(voice, time, players, rng)
    curve = _loudness_curve(voice, time, length, players=players, rng=rng)
    speed = frequency(pitch) * np.exp2(cents / 1200.0) * (STEP / SAMPLE_RATE)
    phase = rng.uniform(0.0, 1.0, (players, 1)) + np.cumsum(speed, axis=1)
    index = (_upsample(phase, frames) * TABLE).astype(np.int64) & (TABLE - 1)
    soft, loud = voice.slope
    layer = round(velocity * (LAYERS - 1)) / (LAYERS - 1)
    bright = wave_table(pitch, soft + (loud - soft) * layer, voice.even)
    dark = wave_table(pitch, soft, voice.even)
    level = velocity**1.5
    # a note is brightest where it is loudest: dark table at its edges, bright at its top
    mix = _upsample((curve * curve * level).astype(np.float32), frames)
    rest = _upsample((curve * (1.0 - curve) * level).astype(np.float32), frames)
    tone = np.einsum("pt,pt->t", bright[index], mix) + np.einsum("pt,pt->t", dark[index], rest)
    burst = voice.noise + voice.chiff * np.exp(-time / (0.5 * voice.attack + 0.01))
    gain = np.mean(curve, axis=0) * burst * np.sqrt(players) * level
    return tone, _upsample(gain[None].astype(np.float32), frames)[0]


def spectral_envelope(
    points: tuple[tuple[float, float], ...], *, ripple_db: float, seed: int, taps: int = 4096
) -> FloatArray:
    """Minimum-phase filter through (Hz, dB) points, with the small peaks of a real body.

    Parameters
    ----------
    points : tuple of (Hz, dB)
        Joined by straight lines over log frequency; flat beyond the ends.
    ripple_db : float
        Standard deviation in dB of peaks and dips about a sixth of an octave apart.
    seed : int
        Of the ripple: two bodies of one kind differ.
    taps : int
        Length of the filter.

    Returns
    -------
    (taps,) FloatArray
    """
    size = 1 << 15
    hertz = np.maximum(np.fft.rfftfreq(size, 1.0 / SAMPLE_RATE), 1.0)
    knots = np.geomspace(40.0, 16000.0, 52)
    bumps = np.random.default_rng(seed).standard_normal(52) * ripple_db
    level_db = np.interp(np.log(hertz), np.log([p[0] for p in points]), [p[1] for p in points])
    level_db = level_db + np.interp(np.log(hertz), np.log(knots), bumps, left=0.0, right=0.0)
    cepstrum = np.fft.irfft(level_db * (np.log(10.0) / 20.0), size)
    cepstrum[1 : size // 2] *= 2.0
    cepstrum[size // 2 + 1 :] = 0.0
    impulse = np.fft.irfft(np.exp(np.fft.rfft(cepstrum)), size)[:taps]
    impulse[taps // 2 :] *= np.cos(np.linspace(0.0, 0.5 * np.pi, taps - taps // 2)) ** 2
    return np.asarray(impulse, dtype=np.float32)
