"""What the late part of a response sounds like: noise that decays as each band of the room does.

Overlapping frames of complex Gaussian noise are mixed between microphones to the coherence of a
diffuse field, given the level of the energy theory frame by frame and bin by bin, and laid over
one another. Each microphone's energy is then evened out, one ear-wide band at a time, so that no
seat is coloured by the luck of its noise.

*Conventions*: t = 0 is the moment of emission; the noise depends on the seed and the seat alone.

`tail`: (mic, tap).

Sources
-------
Barron & Lee (1988), J. Acoust. Soc. Am. 84, 618-628: level. Cook et al. (1955), J. Acoust. Soc.
Am. 27, 1072-1077: coherence. Polack (1988), thesis, Le Mans: late reverberation as decaying noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.bands import power_weights, third_edges
from sim.coherence import diffuse_coherence, diffuse_power
from sim.decay import decay_time
from sim.directivity import power, shading
from sim.filters import blocking_energy
from sim.microphones import Microphone
from sim.reflections import EARLY, HANDOVER, late_weight
from sim.reverberation import DECAY
from sim.room import Room
from sim.source import Source

FloatArray = NDArray[np.floating[Any]]
ComplexArray = NDArray[np.complexfloating[Any, Any]]

FRAME = 0.043
"""Length of a noise frame, s; frames overlap by half."""

DRAW = 8
"""Frames that are drawn together."""

INAUDIBLE_DB = 75.0
"""A band that has decayed by this much is left out."""

MIXING_LIMIT = 30.0
"""Microphones are mixed up to k d = 30; beyond, their coherence is under 0.04."""


def radiated(source: Source, frequencies: FloatArray, *, speed: float) -> FloatArray:
    """Sound power of a source re an even one of the same level on its axis; (band,)."""
    return power(shading(source.family, frequencies, speed=speed))


def seat_generator(seed: int, source: Source) -> np.random.Generator:
    """Random numbers of one seat: from the seed and the position to a millimetre, nothing else."""
    millimetres = [int(round(1000.0 * value)) + (1 << 20) for value in source.position]
    return np.random.default_rng([seed, *millimetres])


def tail(
    room: Room,
    source: Source,
    microphones: Sequence[Microphone],
    *,
    direct_delay: FloatArray,
    taps: int,
    sample_rate: float,
    seed: int,
) -> FloatArray:
    """Late part of the responses.

    Parameters
    ----------
    room : Room
    source : Source
    microphones : sequence of Microphone
    direct_delay : (mic,) FloatArray
        s.
    taps : int
        Length.
    sample_rate : float
        Hz.
    seed : int
        Mixed with the seat.

    Returns
    -------
    (mic, tap) FloatArray
    """
    begin = int((float(np.min(direct_delay)) + EARLY - HANDOVER) * sample_rate)
    frames = _Frames.of(room, begin=begin, taps=taps, sample_rate=sample_rate)
    noise = _noise(seat_generator(seed, source), len(microphones), frames)
    noise = _mixed(noise, microphones, frames.frequencies, speed=room.sound_speed)
    sounded = _sounded(frames, noise, room, source)[:, : taps - begin]
    moment = (begin + np.arange(sounded.shape[1])) / sample_rate
    density = 4.0 * np.pi * room.sound_speed / room.volume / sample_rate
    finished = np.zeros((len(microphones), taps))
    late = finished[:, begin : begin + sounded.shape[1]]
    late[:] = sounded * np.exp(-0.5 * frames.common * moment)
    late *= np.sqrt(density * diffuse_power(microphones))[:, None]
    # beyond this the hand-over is complete at every microphone
    opening = int((float(np.ptp(direct_delay)) + 2.0 * HANDOVER) * sample_rate) + 2
    after = moment[:opening] - np.asarray(direct_delay)[:, None]
    late[:, :opening] *= np.sqrt(late_weight(after))
    return finished


@dataclass(frozen=True, slots=True)
class _Frames:
    """How the noise is cut: frames half overlapping, the first ending half-way before `begin`."""

    moment: FloatArray  # (frame,) s, middle of each frame
    frequencies: FloatArray  # (bin,) Hz
    rate: FloatArray  # (bin,) decay, nepers of energy a second
    common: float  # the decay laid on sample by sample; frames carry the rest, smooth in time

    @staticmethod
    def of(room: Room, *, begin: int, taps: int, sample_rate: float) -> _Frames:
        """Cut the samples from `begin` to `taps`."""
        hop = 1 << int(np.round(np.log2(0.5 * FRAME * sample_rate)))
        count = max(2, (taps - begin) // hop + 2)
        frequencies = np.arange(hop + 1) * sample_rate / (2 * hop)
        rate = DECAY / decay_time(room, frequencies)
        moment = (begin + hop * np.arange(count)) / sample_rate
        return _Frames(moment, frequencies, rate, float(np.median(rate)))

    def bins(self, first: int) -> int:
        """How many bins still sound at frame `first`: the rest have decayed by `INAUDIBLE_DB`."""
        gone = self.rate * (self.moment[first] - self.moment[0]) / np.log(10.0) * 10.0
        sounding = np.nonzero(gone < INAUDIBLE_DB)[0]
        return int(sounding[-1]) + 1 if len(sounding) else 1


def _sounded(frames: _Frames, noise: ComplexArray, room: Room, source: Source) -> FloatArray:
    """Noise with the level and decay of every bin, from the middle of the first frame on."""
    from scipy.fft import irfft

    hop = len(frames.frequencies) - 1
    energy = radiated(source, frames.frequencies, speed=room.sound_speed)
    energy = energy * blocking_energy(frames.frequencies)
    shape = np.exp(-0.5 * (frames.rate - frames.common) * frames.moment[:, None])
    gains = (shape * np.sqrt(energy)).astype(np.float32)
    for first in range(0, len(gains), DRAW):
        gains[first : first + DRAW, frames.bins(first) :] = 0.0
    noise *= _evened(noise, gains, np.exp(-frames.common * frames.moment), frames.frequencies)
    noise *= gains
    window = np.sin(np.pi * (np.arange(2 * hop) + 0.5) / (2 * hop))
    pieces = irfft(noise, 2 * hop, axis=-1) * window.astype(np.float32)
    return _overlapped(pieces, hop)[:, hop:]


def _noise(rng: np.random.Generator, microphones: int, frames: _Frames) -> ComplexArray:
    """Spectra of white noise frames whose samples have variance 1; (mic, frame, bin).

    A microphone's numbers do not depend on how many follow it.
    """
    count, width = len(frames.moment), len(frames.frequencies)
    scale = np.float32(np.sqrt(width - 1))  # half the frame: E|X|^2 = frame length
    noise = np.zeros((microphones, count, width), dtype=np.complex64)
    for row, stream in zip(noise, rng.spawn(microphones), strict=True):
        for first in range(0, count, DRAW):
            block = row[first : first + DRAW, : frames.bins(first)]
            drawn = stream.standard_normal((*block.shape, 2), dtype=np.float32)
            block[:] = (drawn * scale).view(np.complex64)[..., 0]
    return noise


def _mixed(
    noise: ComplexArray,
    microphones: Sequence[Microphone],
    frequencies: FloatArray,
    *,
    speed: float,
) -> ComplexArray:
    """Give independent noises the coherence of a diffuse field, bin by bin."""
    place = np.array([m.position for m in microphones])
    if len(place) < 2:
        return noise
    gap = np.linalg.norm(place[:, None] - place[None], axis=-1)
    nearest = max(float(gap[~np.eye(len(place), dtype=bool)].min()), 0.05)
    bins = int(np.sum(frequencies <= MIXING_LIMIT * speed / (2.0 * np.pi * nearest)))
    wanted = diffuse_coherence(microphones, frequencies[:bins], speed=speed).transpose(2, 0, 1)
    # a coherence of rank less than the number of microphones needs a little of its own noise
    root = np.linalg.cholesky(wanted + 1e-6 * np.eye(len(place))).astype(np.complex64)
    low = noise[:, :, :bins].transpose(2, 0, 1)
    noise[:, :, :bins] = (root @ low).transpose(1, 2, 0)
    return noise


def _evened(
    noise: ComplexArray, gains: FloatArray, weight: FloatArray, frequencies: FloatArray
) -> FloatArray:
    """Gain per microphone and bin that brings each band's energy to its expectation."""
    edges = third_edges(np.power(10.0, np.arange(13.0, 44.0) / 10.0))
    bands = power_weights(edges, frequencies)
    bands[0] = np.maximum(bands[0], frequencies < edges[0])
    bands[-1] = np.maximum(bands[-1], frequencies > edges[-1])
    carried = np.square(gains) * weight[:, None]  # (frame, bin)
    expected = bands @ (carried.sum(axis=0) * 2.0 * (len(frequencies) - 1))
    found = np.einsum("mtf,tf->mf", np.square(np.abs(noise)), carried) @ bands.T
    ratio = np.sqrt(expected / np.maximum(found, 1e-30))
    centre = np.log(np.sqrt(edges[:-1] * edges[1:]))
    position = np.log(np.maximum(frequencies, edges[0]))
    smooth = [np.interp(position, centre, row) for row in ratio]
    return np.asarray(smooth, dtype=np.float32)[:, None, :]


def _overlapped(pieces: FloatArray, hop: int) -> FloatArray:
    """Overlap-add of half-overlapping frames: (mic, frame, 2 hop) -> (mic, tap)."""
    mics, frames = pieces.shape[:2]
    summed = np.zeros((mics, (frames + 1) * hop), dtype=pieces.dtype)
    blocks = summed.reshape(mics, frames + 1, hop)
    blocks[:, :-1] += pieces[:, :, :hop]
    blocks[:, 1:] += pieces[:, :, hop:]
    return summed
