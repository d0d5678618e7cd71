"""How do the timpani and the low drum sound.

A membrane is a sum of decaying modes whose frequencies are not multiples of one another; a stroke
adds the short noise of the head. Each drum is sounded once a velocity layer and hand, then laid
under the strokes of the score.

*Conventions*: s, Hz; arrays (frame,), float32.

`timpani_stroke`, `drum_stroke`: one stroke. `STROKES`: by name of the voice.

Sources
-------
Modes of an ideal membrane: zeros of the Bessel functions, ratios 1, 1.593, 2.135, 2.295, 2.653,
2.917, 3.155, 3.500, 3.598 (any table of Bessel zeros; computed here by `scipy.special.jn_zeros`).
Kettledrum modes (1,1) to (5,1) near 1 : 1.50 : 1.98 : 2.44 : 2.90 with the short (0,1) near 0.85:
Fletcher & Rossing, "The Physics of Musical Instruments" (from memory). Decays: by ear.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal, special

from demo.tone import SAMPLE_RATE, frequency

FloatArray = NDArray[np.floating[Any]]

# ratio to the sounding note, level, s to fall by 60 dB
KETTLE_MODES = (
    (0.85, 0.55, 0.35), (1.0, 1.0, 2.6), (1.50, 0.75, 2.2), (1.98, 0.5, 1.8), (2.44, 0.3, 1.4),
    (2.90, 0.2, 1.1), (1.65, 0.3, 0.3), (2.55, 0.25, 0.25), (3.37, 0.12, 0.8), (3.85, 0.08, 0.6),
)  # fmt: skip


def _modes(
    table: tuple[tuple[float, float, float], ...],
    base: float,
    *,
    glide: float,
    rng: np.random.Generator,
) -> FloatArray:
    """Sum of decaying modes; `glide` is the share by which a hard stroke starts sharp."""
    longest = max(decay for _, _, decay in table)
    time = np.arange(int(longest * SAMPLE_RATE)) / SAMPLE_RATE
    bend = time + glide * 0.05 * (1.0 - np.exp(-time / 0.05))
    total = np.zeros(time.size)
    for ratio, level, decay in table:
        hertz = base * ratio * (1.0 + 0.003 * rng.standard_normal())
        turn = rng.uniform(-0.3, 0.3)
        total += level * np.exp(-6.91 * time / decay) * np.sin(2.0 * np.pi * hertz * bend + turn)
    total *= np.clip(time / 0.002, 0.0, 1.0)  # the stick stays on the head for about 2 ms
    return total * np.clip((longest - time) / 0.05, 0.0, 1.0)


def _head_noise(length: float, band: tuple[float, float], rng: np.random.Generator) -> FloatArray:
    """Short noise of the stick on the head, rms 1 at its start."""
    frames = int(8.0 * length * SAMPLE_RATE)
    filters = signal.butter(2, band, "bandpass", fs=SAMPLE_RATE, output="sos")
    noise = signal.sosfilt(filters, rng.standard_normal(frames + 2000))[2000:]
    time = np.arange(frames) / SAMPLE_RATE
    shape = np.exp(-time / length) * np.clip(time / 0.0008, 0.0, 1.0)
    shape *= np.clip((frames / SAMPLE_RATE - time) / 0.005, 0.0, 1.0)
    return np.asarray(noise / np.sqrt(np.mean(noise**2)) * shape)


def _stroke(modes: FloatArray, noise: FloatArray) -> FloatArray:
    modes[: noise.size] += noise[: modes.size]
    return modes.astype(np.float32)


def timpani_stroke(pitch: int, hardness: float, rng: np.random.Generator) -> FloatArray:
    """One kettledrum stroke.

    Parameters
    ----------
    pitch : int
        MIDI number of the note.
    hardness : float
        0 to 1: harder strokes have more of the high modes and of the head's noise.
    rng : numpy.random.Generator

    Returns
    -------
    (frames,) FloatArray
    """
    table = tuple(
        (ratio, level * (0.55 + 0.45 * hardness) ** max(ratio - 1.0, 0.0), decay)
        for ratio, level, decay in KETTLE_MODES
    )
    tone = _modes(table, frequency(pitch), glide=0.01 * hardness, rng=rng)
    return _stroke(tone, 0.25 * hardness * _head_noise(0.012, (200.0, 2500.0), rng))


def drum_stroke(pitch: int, hardness: float, rng: np.random.Generator) -> FloatArray:
    """One stroke on a large low drum without definite pitch; arguments as `timpani_stroke`."""
    lowest = float(special.jn_zeros(0, 1)[0])
    ratios = [float(special.jn_zeros(m, n)[-1]) / lowest for m in range(5) for n in (1, 2, 3)]
    fall = 2.2 - 0.9 * hardness
    table = tuple(
        (ratio, ratio**-fall, 1.6 / ratio**0.8) for ratio in sorted(ratios) if ratio < 6.0
    )
    tone = _modes(table, frequency(pitch), glide=0.12 * hardness, rng=rng)
    return _stroke(tone, 0.3 * hardness * _head_noise(0.018, (90.0, 1800.0), rng))


STROKES = {"timpani": timpani_stroke, "drum": drum_stroke}
"""Stroke functions by name of the part."""
