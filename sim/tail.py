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
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.bands import ERB_CENTRES, erb_edges, power_weights
from sim.coherence import diffuse_coherence, diffuse_power
from sim.decay import decay_time, late_energy
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

EVEN_LIMIT = 2500.0
"""Bands up to here are evened out, Hz."""

EVENING_STEPS = 3
"""Rounds of evening out; bands overlap a little."""

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
    _shaped(frames, noise, room, source)
    density = 4.0 * np.pi * room.sound_speed / room.volume / sample_rate
    scale = np.sqrt(density * diffuse_power(microphones))
    opening = _Opening(begin / sample_rate, np.asarray(direct_delay), scale)
    wanted = late_energy(room, opening.direct_delay, ERB_CENTRES) * _fed(room, source, ERB_CENTRES)
    _evened(frames, noise, opening, wanted * diffuse_power(microphones)[:, None])
    late = opening.opened(_overlapped(frames, noise)[:, : taps - begin], sample_rate, frames.common)
    finished = np.zeros((len(microphones), taps))
    finished[:, begin : begin + late.shape[1]] = late
    return finished


def _fed(room: Room, source: Source, frequencies: FloatArray) -> FloatArray:
    """Energy a source feeds into the late part re an even one, less what is blocked; (band,)."""
    radiating = radiated(source, frequencies, speed=room.sound_speed)
    fed: FloatArray = radiating * blocking_energy(frequencies)
    return fed


@dataclass(frozen=True, slots=True)
class _Opening:
    """How overlapped noise becomes the late part: level, common decay and hand-over."""

    begin: float  # s, of the first sample
    direct_delay: FloatArray  # (mic,) s
    scale: FloatArray  # (mic,)

    def opened(self, sounded: FloatArray, rate: float, decay: float) -> FloatArray:
        """Late part from noise sampled at `rate` Hz that decays by `decay` nepers a second."""
        moment = self.begin + np.arange(sounded.shape[1]) / rate
        late: FloatArray = sounded * np.exp(-0.5 * decay * moment)
        late *= self.scale[:, None]
        # beyond this the hand-over is complete at every microphone
        count = int((float(np.ptp(self.direct_delay)) + 2.0 * HANDOVER) * rate) + 2
        after = moment[:count] - self.direct_delay[:, None]
        late[:, :count] *= np.sqrt(late_weight(after))
        return late


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


def _shaped(frames: _Frames, noise: ComplexArray, room: Room, source: Source) -> None:
    """Give noise frames, in place, what their bins decay apart from the common decay."""
    shape = np.exp(-0.5 * (frames.rate - frames.common) * frames.moment[:, None])
    gains = (shape * np.sqrt(_fed(room, source, frames.frequencies))).astype(np.float32)
    for first in range(0, len(gains), DRAW):
        gains[first : first + DRAW, frames.bins(first) :] = 0.0
    noise *= gains


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


def _evened(frames: _Frames, noise: ComplexArray, opening: _Opening, wanted: FloatArray) -> None:
    """Bring each band's energy at each microphone to what is wanted, in place.

    Heard up to `EVEN_LIMIT` at a low sample rate, which costs next to nothing; wider bands higher
    up are even by themselves.
    """
    from scipy.fft import rfft

    spacing = float(frames.frequencies[1])
    hop = 1 << int(np.ceil(np.log2(EVEN_LIMIT / spacing)))
    rate = 2.0 * hop * spacing
    low = noise[:, :, : hop + 1]
    # what is luck at the beginning says nothing of the end: the correction fades as sound does,
    # else it would raise the end (the mean of 1 / energy exceeds 1 / mean) and lengthen the decay
    since = (frames.moment - frames.moment[0])[:, None]
    fading = np.exp(-0.5 * frames.rate[: hop + 1] * since).astype(np.float32)
    for _ in range(EVENING_STEPS):
        late = opening.opened(_overlapped(frames, low), rate, frames.common)
        length = 1 << int(np.ceil(np.log2(late.shape[1])))
        weights = _band_means(length, rate)
        full = (len(frames.frequencies) - 1) / hop  # fewer samples carry as much energy
        found = np.square(np.abs(rfft(late, length))) @ weights.T * full**2
        ratio = np.log(wanted[:, : found.shape[1]] / np.maximum(found, 1e-30))
        centres = ERB_CENTRES[: found.shape[1]]
        position = frames.frequencies[: hop + 1]
        gains = [np.interp(position, centres, row, right=0.0) for row in ratio]
        low *= np.exp(0.5 * fading * np.asarray(gains, dtype=np.float32)[:, None, :])


@lru_cache(maxsize=16)
def _band_means(length: int, rate: float) -> FloatArray:
    """Weights that average FFT bins within each evened band; (band, bin)."""
    edges = erb_edges()
    edges = edges[: int(np.sum(edges < EVEN_LIMIT))]
    weights = power_weights(edges, np.arange(length // 2 + 1) * rate / length)
    means: FloatArray = weights / weights.sum(axis=1, keepdims=True)
    means.setflags(write=False)
    return means


def _overlapped(frames: _Frames, noise: ComplexArray) -> FloatArray:
    """Overlap-add of windowed frames from the middle of the first one on; (mic, sample).

    With only the lower bins of each frame, the same sound at a lower sample rate.
    """
    from scipy.fft import irfft

    mics, count, width = noise.shape
    hop = width - 1
    window = np.sin(np.pi * (np.arange(2 * hop) + 0.5) / (2 * hop)).astype(np.float32)
    window *= np.float32(hop / (len(frames.frequencies) - 1))  # irfft divides by its length
    pieces = irfft(noise, 2 * hop, axis=-1) * window
    summed = np.zeros((mics, (count + 1) * hop), dtype=pieces.dtype)
    blocks = summed.reshape(mics, count + 1, hop)
    blocks[:, :-1] += pieces[:, :, :hop]
    blocks[:, 1:] += pieces[:, :, hop:]
    return summed[:, hop:]
