"""How two loudspeakers at +-30 degrees sound on headphones: the head that the cost judges with.

*Conventions*: impulse responses (tap,), from a loudspeaker to the ear on its side (near) and to the
other (far); the listener sits in the middle.

`speaker_taps`: both, at a sample rate.
"""

from __future__ import annotations

import numpy as np

from placer.audio.k_weighting import k_weighting_response
from sim.ears import FloatArray, speaker_responses

TAPS = 256
BEFORE = 48
"""Taps before a loudspeaker's own arrival at the centre of the head, for what comes earlier."""
TRANSFORM = 2048


def speaker_taps(sample_rate: int) -> tuple[FloatArray, FloatArray]:
    """Impulse responses from a loudspeaker to both ears.

    Parameters
    ----------
    sample_rate : int
        Hz.

    Returns
    -------
    near, far : (TAPS,) FloatArray
        Scaled so that a pair of channels that have nothing in common, with as much energy in each
        octave, is as loud at both ears together (BS.1770) as in the two channels.
    """
    frequency = np.fft.rfftfreq(TRANSFORM, 1.0 / sample_rate)
    responses = np.zeros((2, frequency.size), dtype=complex)
    start = 1
    while start < frequency.size:  # octave by octave: the series of a low one ends sooner
        octave = slice(start, min(2 * start, frequency.size))
        responses[:, octave] = speaker_responses(frequency[octave], 0.0)[0]
        start *= 2
    responses[:, 0] = np.abs(responses[:, 1])
    later = np.exp(-2j * np.pi * frequency * BEFORE / sample_rate)
    near, far = np.fft.irfft(responses * later, TRANSFORM)[:, :TAPS]
    fade = np.ones(TAPS)
    fade[TAPS // 2 :] = 0.5 + 0.5 * np.cos(np.linspace(0.0, np.pi, TAPS // 2))
    spectra = np.abs(np.fft.rfft(np.stack([near, far]) * fade, TRANSFORM)) ** 2
    heard = k_weighting_response(frequency[1:], sample_rate) / frequency[1:]
    gain = float(np.sqrt(heard.sum() / (spectra.sum(axis=0)[1:] @ heard)))
    return gain * near * fade, gain * far * fade
