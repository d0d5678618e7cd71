"""Which instruments play the demo cue, and how loud is each.

*Conventions*: stems (channel, frame), float32, at `tone.SAMPLE_RATE`; a stem's level is that of a
careful balance, so that the stems sum to the mix with no gain of their own.

`Instrument`: voice, players, spectral envelope, level. `ORCHESTRA`: by part name.
`stem`: one part as audio.

Sources
-------
Envelopes follow what handbooks of the orchestra's sound describe (main air and wood resonances of
the strings, the "bridge hill" of the violin near 2.5 kHz, horn formant near 350 Hz, trombone near
500 Hz, bassoon near 500 and 1150 Hz, vowel "ah" near 700, 1100 and 2700 Hz): from memory, tuned by
ear and by third-octave spectra. Levels are those of a hand-made balance, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from zlib import crc32

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from demo.score import TEMPO, Note
from demo.struck import STROKES
from demo.tone import SAMPLE_RATE, Voice, play_note, spectral_envelope

FloatArray = NDArray[np.floating[Any]]

Points = tuple[tuple[float, float], ...]

FADE = 0.06
"""s over which every stem is faded at its end."""


@dataclass(frozen=True, slots=True)
class Instrument:
    """One section.

    Attributes
    ----------
    voice : how a player sounds a note, or None where the part is struck
    desks : players on each of the two desks; a desk has its own body
    envelope : (Hz, dB) points of the spectral envelope
    level_db : rms of the stem in dB re full scale
    stereo : share of its own side that each desk keeps, 0 (mono stem) to 1
    ripple_db : roughness of the envelope
    """

    voice: Voice | None
    desks: tuple[int, int]
    envelope: Points
    level_db: float
    stereo: float = 0.0
    ripple_db: float = 3.0


CELLO: Points = (
    (25, -30), (55, -5), (75, 0), (100, 4), (140, 0), (200, 3), (300, -1), (600, -4), (1500, -9),
    (2500, -9), (4000, -16), (8000, -28), (16000, -50),
)  # fmt: skip
BASS: Points = (
    (20, -28), (32, -9), (45, -2), (65, 2), (100, 4), (200, 1), (400, -4), (1000, -11), (2500, -18),
    (8000, -38), (16000, -60),
)  # fmt: skip
VIOLA: Points = (
    (60, -30), (130, -8), (220, 3), (350, 1), (600, 0), (1200, -3), (2200, -2), (4000, -9),
    (8000, -22), (16000, -45),
)  # fmt: skip
VIOLIN: Points = (
    (80, -35), (190, -10), (275, 2), (460, 3), (900, 0), (1500, -2), (2600, 3), (4000, -3),
    (8000, -11), (16000, -28),
)  # fmt: skip
HORN: Points = (
    (40, -20), (120, -6), (200, -1), (350, 2), (600, 0), (900, -5), (1500, -11), (3000, -22),
    (6000, -38), (16000, -65),
)  # fmt: skip
TROMBONE: Points = (
    (35, -18), (70, -5), (120, -1), (300, 1), (520, 3), (900, 0), (1600, -5), (3000, -11),
    (6000, -24), (16000, -55),
)  # fmt: skip
BASSOON: Points = (
    (25, -26), (45, -10), (75, -3), (130, 0), (300, 2), (480, 6), (650, 1), (900, -3), (1150, 1),
    (1600, -8), (3000, -16), (6000, -30), (16000, -60),
)  # fmt: skip
WOODWIND: Points = (
    (150, -30), (400, -4), (700, 0), (1500, 1), (3000, -3), (5000, -9), (9000, -20), (16000, -40),
)  # fmt: skip
AH: Points = (
    (60, -24), (110, -6), (250, -3), (450, -1), (700, 6), (880, 0), (1100, 4), (1400, -7),
    (2200, -10), (2700, -2), (3200, -7), (4500, -20), (9000, -34), (16000, -55),
)  # fmt: skip
FLAT: Points = ((18, -24), (28, 0), (8000, 0), (16000, -30))

ORCHESTRA: dict[str, Instrument] = {
    "ostinato": Instrument(
        Voice(
            (1.5, 1.0), attack=0.018, release=0.05, sustain=(0.35, 0.07), vibrato=(0.0, 5.5),
            detune=6.0, spread=0.007, noise=0.03, chiff=0.35,
        ),
        (4, 4), CELLO, -24.5,
    ),
    "bed": Instrument(
        Voice((1.7, 1.15), attack=0.16, release=0.3, vibrato=(13.0, 5.2), detune=6.0, spread=0.03),
        (2, 2), CELLO, -22.0,
    ),
    "basses": Instrument(
        Voice((1.6, 1.1), attack=0.09, release=0.15, vibrato=(7.0, 4.6), detune=5.0, spread=0.02),
        (2, 2), BASS, -21.5,
    ),
    "horns": Instrument(
        Voice(
            (2.4, 0.95), attack=0.07, release=0.12, sustain=(0.85, 0.4), vibrato=(3.0, 5.0),
            detune=4.0, spread=0.012, scoop=35.0, noise=0.004, chiff=0.03,
        ),
        (2, 2), HORN, -22.5, ripple_db=1.0,
    ),
    "violins": Instrument(
        Voice(
            (1.35, 0.95), attack=0.07, release=0.1, vibrato=(18.0, 6.1), detune=7.0, spread=0.018,
        ),
        (5, 4), VIOLIN, -25.0, stereo=0.45,
    ),
    "violas": Instrument(
        Voice(
            (1.45, 1.0), attack=0.06, release=0.12, vibrato=(6.0, 5.6), detune=7.0, spread=0.02,
            tremolo=13.0, noise=0.05, chiff=0.1,
        ),
        (4, 4), VIOLA, -26.5,
    ),
    "choir": Instrument(
        Voice(
            (1.7, 1.2), attack=0.25, release=0.4, sustain=(0.95, 1.0), vibrato=(22.0, 5.4),
            detune=9.0, spread=0.05, scoop=20.0, noise=0.012, chiff=0.01,
        ),
        (3, 3), AH, -25.5, stereo=0.6, ripple_db=1.5,
    ),
    "bassoons": Instrument(
        Voice(
            (1.3, 0.75), attack=0.035, release=0.08, sustain=(0.75, 0.2), vibrato=(4.0, 5.0),
            detune=4.0, spread=0.01, noise=0.008, chiff=0.05,
        ),
        (2, 1), BASSOON, -26.5, ripple_db=1.5,
    ),
    "trombones": Instrument(
        Voice(
            (2.1, 0.7), attack=0.045, release=0.09, sustain=(0.75, 0.25), vibrato=(0.0, 5.0),
            detune=3.5, spread=0.009, scoop=25.0, noise=0.003, chiff=0.03,
        ),
        (1, 1), TROMBONE, -24.0, ripple_db=1.0,
    ),
    "timpani": Instrument(None, (1, 0), FLAT, -26.0, ripple_db=1.0),
    "drum": Instrument(None, (1, 0), FLAT, -25.0, ripple_db=1.0),
    "woodwinds": Instrument(
        Voice(
            (2.0, 1.3), even=0.7, attack=0.022, release=0.05, sustain=(0.8, 0.1),
            vibrato=(5.0, 5.5), detune=5.0, spread=0.009, noise=0.02, chiff=0.12,
        ),
        (2, 2), WOODWIND, -29.0, ripple_db=1.5,
    ),
}  # fmt: skip
"""Every section of the demo cue by its part's name."""


def _blown_or_bowed(
    instrument: Instrument,
    voice: Voice,
    notes: tuple[Note, ...],
    *,
    frames: int,
    rng: np.random.Generator,
) -> FloatArray:
    """Both desks before their bodies; (2, frames)."""
    tone = np.zeros((2, frames), dtype=np.float32)
    gain = np.zeros((2, frames), dtype=np.float32)
    for note in notes:
        for desk in (0, 1) if note.desk < 0 else (note.desk,):
            start = int(note.start * 60.0 / TEMPO * SAMPLE_RATE)
            wave, breath = play_note(
                voice, note.pitch, note.length * 60.0 / TEMPO, velocity=note.velocity,
                players=instrument.desks[desk], rng=rng,
            )  # fmt: skip
            stop = min(start + wave.size, frames)
            tone[desk, start:stop] += wave[: stop - start]
            gain[desk, start:stop] += breath[: stop - start]
    hiss = signal.butter(1, (500.0, 5000.0), "bandpass", fs=SAMPLE_RATE, output="sos")
    noise = signal.sosfilt(hiss, rng.standard_normal((2, frames)), axis=1)
    noise /= np.sqrt(np.mean(noise**2))
    sound: FloatArray = tone + gain * noise.astype(np.float32)
    return sound


def _struck(
    name: str, notes: tuple[Note, ...], *, frames: int, rng: np.random.Generator
) -> FloatArray:
    """All strokes of a drum; (2, frames), the second desk silent."""
    sound = np.zeros((2, frames), dtype=np.float32)
    hands: dict[tuple[int, float, int], FloatArray] = {}
    for count, note in enumerate(notes):
        key = (note.pitch, max(round(4.0 * note.velocity), 1) / 4.0, count % 2)
        if key not in hands:
            hands[key] = STROKES[name](key[0], key[1], rng)
        late = max(0.004 * rng.standard_normal(), -0.01)
        start = max(int((note.start * 60.0 / TEMPO + late) * SAMPLE_RATE), 0)
        stroke = hands[key][: frames - start]
        sound[0, start : start + stroke.size] += note.velocity**1.5 * stroke
    return sound


def stem(name: str, notes: tuple[Note, ...], seconds: float) -> FloatArray:
    """One part as a dry stem.

    Parameters
    ----------
    name : str
        A key of `ORCHESTRA`.
    notes : tuple[Note, ...]
        The part, from `demo.score.score`.
    seconds : float
        Length of the stem in s; its last `FADE` s are faded.

    Returns
    -------
    (channel, frame) FloatArray
        One channel, or two where the instrument says so; float32.
    """
    instrument = ORCHESTRA[name]
    frames = round(seconds * SAMPLE_RATE)
    seed = crc32(name.encode())
    rng = np.random.default_rng(seed)
    if instrument.voice is None:
        desks = _struck(name, notes, frames=frames, rng=rng)
    else:
        desks = _blown_or_bowed(instrument, instrument.voice, notes, frames=frames, rng=rng)
    for desk in range(2):
        body = spectral_envelope(
            instrument.envelope, ripple_db=instrument.ripple_db, seed=seed + desk
        )
        desks[desk] = signal.oaconvolve(desks[desk], body)[:frames]
    rumble = signal.butter(2, 18.0, "highpass", fs=SAMPLE_RATE, output="sos")
    desks = signal.sosfilt(rumble, desks, axis=1)
    near, far = 0.5 * (1.0 + instrument.stereo), 0.5 * (1.0 - instrument.stereo)
    mixed = (
        np.array([[near, far], [far, near]]) @ desks
        if instrument.stereo
        else desks.sum(axis=0)[None]
    )
    fade = round(FADE * SAMPLE_RATE)
    mixed[:, -fade:] *= np.cos(np.linspace(0.0, 0.5 * np.pi, fade)) ** 2
    mixed *= 10.0 ** (instrument.level_db / 20.0) / np.sqrt(np.mean(mixed**2))
    return np.asarray(mixed, dtype=np.float32)
