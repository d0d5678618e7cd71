"""What a stem itself says: how it moves, how long it holds, how low it lies, where it sits.

*Conventions*: audio (channel, frame); levels in dB; frequencies in Hz; times in s.

`listen`: facts of one stem, read block by block and once. `kinship`: whether two files are one
performance, may be two sides of one sound, or cannot be. `same_performance`: whether they are the
first.

How a stem moves is judged on its loudest minute; where it is silent and how it dies away, on all of
it, by its level alone.

Sources
-------
Onsets by spectral flux of compressed band energies: Bello et al. (2005), IEEE Trans. Speech and
Audio Processing 13(5), 1035-1047. Phase transform: Knapp & Carter (1976), IEEE Trans. ASSP 24(4),
320-327. Likeness of two distributions: Bhattacharyya (1943), Bull. Calcutta Math. Soc. 35, 99-109;
two noises of one spectrum give pi/4 (closed form: the mean of a Rayleigh variable, squared, against
its mean square). Thresholds: set on this project's invented demo and on test signals.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import Enum
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

from placer.audio.checks import refuse_silence
from placer.audio.files import BLOCK, info, open_blocks, read_stem
from placer.audio.pairs import StemFile
from placer.audio.resample import Audio, resample
from placer.cue.draft_pitch import RATE as PITCH_RATE
from placer.cue.draft_pitch import Line, line_of
from sim.bands import ERB_CENTRES, FloatArray, erb_edges, power_weights
from sim.decibel import energy_db

MINUTE = 60.0
"""The loudest stretch of this length tells how a longer stem moves, s; whole blocks of it."""
HOP_SECONDS = 0.016
"""From one window to the next; windows are twice as long."""
SOUNDING_DB = 40.0
"""A frame sounds if it lies within this of the loud ones."""
HELD_DB = 9.0
"""A frame counts as held if it lies within this of the peak of the second before it."""
FLUX = 0.12
"""Rise of the compressed energies, as a share of their usual size, that is an onset."""
FADE_SECONDS = 0.256
"""Over which the steepest fall is sought: longer than a window, shorter than most rests."""
FADE_RANGE_DB = 25.0
"""A fall begins within this of the loud frames."""
APART = 0.07
"""Shortest time between two onsets, s."""
PULSE, REPEAT = (0.09, 0.62), (0.09, 4.5)
"""s after which a running figure strikes again; after which it, or a bar, comes again."""
MATCH_RATE, MATCH_SECONDS = 16000, 10.0
MATCH_LAG = 0.1
"""s that one microphone may hear later than another."""
MATCH_PEAK, MATCH_SHARE = 15.0, 0.07
"""Peak of the whitened correlation against its rms, and against what equal sounds would give. One
performance gives 17 and 0.076 or more on the demo; two players 14 at most, drums hit again 0.05."""
MATCH_SPECTRUM = 0.6
"""Likeness of two spectra, each note apart. Two microphones or sides give 0.69 at least on the demo
and on sampled parts, tones a hertz apart that last for 2 s 0.58, other notes mostly below 0.5."""
MUTE = 1e-6
"""Energy against the other side's (-60 dB) below which a side says nothing of what it holds."""
MATCH_WINDOW = 1024
MATCH_LIKENESS = 0.4
"""Two sampled parts that share notes give 0.33 at most, two sides of one sound nearly 1."""
Frames = list[FloatArray]


@dataclass(frozen=True, slots=True)
class Sound:
    """Facts of one stem.

    Attributes
    ----------
    onsets : a second, while it sounds
    held : share of the sounding frames that lie near the level before them, 0 to 1
    low, middle, high : Hz below which 10, 50 and 90 % of the energy lie
    balance_db : right against left
    spread : 0 (mono) to 1 (left and right have nothing in common)
    silence : share of the loudest minute in which nothing sounds
    empty : share of the file in which nothing sounds
    loudest : s at which the loudest `MATCH_SECONDS` begin
    fade : s that 60 dB take at the steepest fall; no shorter than the decay of a room within it
    seconds : length of the file
    attack : steepest rises of the compressed energies, as a share of their usual size
    pulse : likeness of the rises with themselves `PULSE` s later, at the best such time, 0 to 1
    repeat : the same up to `REPEAT` s later
    line : how the strongest pitch moves
    """

    onsets: float
    held: float
    low: float
    middle: float
    high: float
    balance_db: float
    spread: float
    silence: float
    empty: float
    loudest: float
    fade: float
    seconds: float
    attack: float
    pulse: float
    repeat: float
    line: Line

    @property
    def words(self) -> str:
        """Say what was heard in one line."""
        return (
            f"{self.onsets:.1f} onsets a second, {100 * self.held:.0f} % held, "
            f"{self.low:.0f} to {self.high:.0f} Hz, {100 * self.empty:.0f} % silent"
        )


def listen(path: StemFile) -> Sound:
    """Hear one stem.

    Raises
    ------
    AudioError
        If it cannot be read or holds no sound.
    """
    rate = info(path).sample_rate
    hop = round(HOP_SECONDS * rate)
    stretch = _Stretch(max(1, round(MINUTE * rate / BLOCK)))
    low, high, levels = [], [], []
    total, count = np.zeros(1), 0
    with open_blocks(path, rate) as reader:
        held = np.zeros((reader.channels, 0), np.float32)
        for block in reader:
            low.append(block.min(axis=1))
            high.append(block.max(axis=1))
            total = total + block.sum(axis=1, dtype=float)
            count += block.shape[1]
            held = np.concatenate([held, block], axis=1) if held.size else block
            levels.append(_variances(held, hop))
            held = held[:, hop * levels[-1].size :]
            stretch.push(block, float(levels[-1].sum()))
    mean = np.asarray(total / count, np.float32)
    refuse_silence(path, np.min(np.stack(low), axis=0), np.max(np.stack(high), axis=0), mean)
    found = np.concatenate(levels)
    if found.size < 2:  # shorter than one window
        found = _variances(np.pad(block, ((0, 0), (0, 2 * hop - count))), hop)
    return _facts(stretch.blocks, found, rate, seconds=count / rate)


class _Stretch:
    """Keeps the loudest run of so many blocks while all of them go by.

    Parameters
    ----------
    most : int
        Blocks of a run.
    """

    def __init__(self, most: int) -> None:
        self._recent: deque[tuple[float, Audio]] = deque(maxlen=most)
        self._best = -1.0
        self.blocks: tuple[Audio, ...] = ()

    def push(self, block: Audio, energy: float) -> None:
        """Take in the next block and its energy."""
        growing = len(self._recent) < (self._recent.maxlen or 0)
        self._recent.append((energy, block))
        total = sum(one for one, _ in self._recent)
        if growing or total > self._best:
            self._best = total
            self.blocks = tuple(kept for _, kept in self._recent)


def _variances(samples: FloatArray, hop: int) -> FloatArray:
    """Energy of each whole hop without its mean, summed over the channels: (hop,)."""
    count = samples.shape[1] // hop
    found = np.zeros(count)
    for channel in samples:
        parts = channel[: count * hop].reshape(count, hop)
        found += np.einsum("ij,ij->i", parts, parts) - np.square(parts.sum(axis=1)) / hop
    return np.maximum(found, 0.0)


def loudest_stretch(path: StemFile) -> float:
    """Find where the loudest `MATCH_SECONDS` of a stem begin, s, by the energy of its blocks."""
    rate = info(path).sample_rate
    with open_blocks(path, rate) as reader:
        energy = np.array([float(np.mean(np.square(block))) for block in reader])
    seconds = BLOCK / rate
    width = min(energy.size, max(1, round(MATCH_SECONDS / seconds)))
    sums = np.concatenate([[0.0], np.cumsum(energy)])
    return float(np.argmax(sums[width:] - sums[:-width])) * seconds


def _covariance(block: FloatArray) -> FloatArray:
    both = block if block.shape[0] == 2 else np.repeat(block, 2, axis=0)
    covariance: FloatArray = both @ both.T
    return covariance


def _band_energies(samples: FloatArray, weights: FloatArray) -> FloatArray:
    """Energies of whole windows that overlap by half: (channel, frame) to (39, window)."""
    window = 2 * (weights.shape[1] - 1)
    if samples.shape[1] < window:
        return np.zeros((weights.shape[0], 0))
    views = np.lib.stride_tricks.sliding_window_view(samples, window, axis=1)[:, :: window // 2]
    spectrum = rfft(views * np.hanning(window).astype(np.float32), axis=2)
    power = (np.square(spectrum.real) + np.square(spectrum.imag)).sum(axis=0)
    energies: FloatArray = (power @ weights.T).T
    return energies


def _facts(blocks: tuple[Audio, ...], levels: FloatArray, rate: int, *, seconds: float) -> Sound:
    """Sum up the loudest minute, in blocks, and the energies (hop,) of the whole file."""
    pair = np.sum([_covariance(block) for block in blocks], axis=0)
    mono = np.concatenate([block.mean(axis=0, keepdims=True) for block in blocks], axis=1)
    energies = _minute(blocks, round(HOP_SECONDS * rate), rate)
    level = energy_db(energies.sum(axis=0))
    sounding = level > np.percentile(level, 99) - SOUNDING_DB
    whole = energy_db(levels[1:] + levels[:-1])
    heard = max(float(sounding.sum()) * HOP_SECONDS, 0.1)
    share = np.cumsum(energies.sum(axis=1)) / energies.sum()
    edges = ERB_CENTRES[np.minimum(np.searchsorted(share, (0.1, 0.5, 0.9)), 38)]
    before = _running_peak(level, round(1.0 / HOP_SECONDS))
    held = float(np.mean(level[sounding] > before[sounding] - HELD_DB)) if sounding.any() else 0.0
    left, right = float(pair[0, 0]), float(pair[1, 1])
    common = float(pair[0, 1]) / max(np.sqrt(left * right), 1e-20)
    rises = _rises(energies)
    likeness = _likeness(rises)
    return Sound(
        onsets=_onset_count(rises) / heard,
        held=held,
        low=float(edges[0]),
        middle=float(edges[1]),
        high=float(edges[2]),
        balance_db=float(energy_db(right) - energy_db(left)),
        spread=float(np.clip(1.0 - common, 0.0, 1.0)),
        silence=float(np.mean(~sounding)),
        empty=float(np.mean(whole <= np.percentile(whole, 99) - SOUNDING_DB)),
        loudest=_loudest(levels),
        fade=_fade(whole),
        seconds=seconds,
        attack=float(np.percentile(rises, 99)) if rises.size else 0.0,
        pulse=_best(likeness, PULSE),
        repeat=_best(likeness, REPEAT),
        line=line_of(resample(mono, rate, PITCH_RATE)[0]),
    )


def _minute(blocks: tuple[Audio, ...], hop: int, rate: int) -> FloatArray:
    """Band energies (39, window) of blocks that follow one another."""
    weights = power_weights(erb_edges(), np.fft.rfftfreq(2 * hop, 1.0 / rate)).astype(np.float32)
    bands: Frames = []
    held = blocks[0][:, :0]
    for block in blocks:
        held = np.concatenate([held, block], axis=1)
        bands.append(_band_energies(held, weights))
        held = held[:, bands[-1].shape[1] * hop :]
    if not any(part.shape[1] for part in bands):  # shorter than one window
        bands.append(_band_energies(np.pad(held, ((0, 0), (0, 2 * hop - held.shape[1]))), weights))
    return np.concatenate(bands, axis=1)


def _loudest(energy: FloatArray) -> float:
    """Where the loudest stretch of `MATCH_SECONDS` begins, s."""
    width = min(energy.size, round(MATCH_SECONDS / HOP_SECONDS))
    sums = np.concatenate([[0.0], np.cumsum(energy)])
    return float(np.argmax(sums[width:] - sums[:-width])) * HOP_SECONDS


def _fade(level: FloatArray) -> float:
    """Time that 60 dB would take at the steepest fall of a level in dB, s; 60 if it never falls."""
    steps = min(round(FADE_SECONDS / HOP_SECONDS), level.size - 1)
    before = level[: level.size - steps]
    loud = before > np.percentile(level, 99) - FADE_RANGE_DB
    if steps < 1 or not loud.any():
        return 60.0
    fall = float((before - level[steps:])[loud].max())
    return 60.0 * steps * HOP_SECONDS / max(fall, steps * HOP_SECONDS)


def _running_peak(level: FloatArray, frames: int) -> FloatArray:
    """Highest level of the `frames` frames up to each one."""
    padded = np.concatenate([np.full(frames, level.min()), level])
    views = np.lib.stride_tricks.sliding_window_view(padded, frames + 1)
    peak: FloatArray = views.max(axis=1)
    return peak


def _rises(energies: FloatArray) -> FloatArray:
    """Rise of the compressed energies from frame to frame, as a share of their usual size."""
    compressed = energies**0.25
    usual = float(np.percentile(compressed.sum(axis=0), 90)) + 1e-20
    step = 2  # windows overlap by half: compare with the one that shares no sound
    rises: FloatArray = np.maximum(compressed[:, step:] - compressed[:, :-step], 0.0).sum(axis=0)
    return rises / usual


def _onset_count(rises: FloatArray) -> int:
    """Count steep rises, at most one in `APART` seconds."""
    count, wait = 0, 0
    for index in range(1, rises.size - 1):
        wait -= 1
        peak = rises[index] >= rises[index - 1] and rises[index] > rises[index + 1]
        if peak and rises[index] > FLUX and wait <= 0:
            count, wait = count + 1, round(APART / HOP_SECONDS)
    return count


def _likeness(rises: FloatArray) -> FloatArray:
    """Autocorrelation of the rises about their mean, 1 at lag 0."""
    if rises.size < 2:
        return np.zeros(1)
    spectrum = np.fft.rfft(rises - rises.mean(), 2 * rises.size)
    correlation = np.fft.irfft(np.square(np.abs(spectrum)))[: rises.size]
    likeness: FloatArray = correlation / max(float(correlation[0]), 1e-20)
    return likeness


def _best(likeness: FloatArray, lags: tuple[float, float]) -> float:
    """Highest likeness between two times, s; 0 if the sound is shorter."""
    first, last = (round(lag / HOP_SECONDS) for lag in lags)
    return float(np.max(likeness[first : last + 1], initial=0.0))


class Kinship(Enum):
    """What two files are to one another."""

    ONE = "one performance heard by two microphones"
    ALIKE = "perhaps two sides of one sound: the same notes, or one of them is silent"
    OTHER = "other notes"


def same_performance(one: StemFile, other: StemFile, start: float) -> bool:
    """Tell whether two files are one performance heard by two microphones; see `kinship`."""
    return kinship(one, other, start) is Kinship.ONE


def kinship(one: StemFile, other: StemFile, start: float) -> Kinship:
    """Tell what two files are to one another, by `MATCH_SECONDS` from `start` s on.

    Two microphones hear the same notes, whatever the room does to each, so their spectra are alike;
    those of two parts, or of two tones, are not. The correlation of one performance, whitened in
    the bands where both have energy, also has a sharp peak within `MATCH_LAG`; equal notes played
    twice have none. Samplers play one recording of a note in many parts at the same instant, so
    where the peak shows no distance all bands must also rise and fall together.
    """
    first, second = (
        read_stem(path, MATCH_RATE, span=(start, start + MATCH_SECONDS)).samples.mean(axis=0)
        for path in (one, other)
    )
    energies = [float(np.sum(np.square(sound, dtype=float))) for sound in (first, second)]
    if min(energies) <= MUTE * max(energies):
        return Kinship.ALIKE
    if _spectral_likeness(first, second) < MATCH_SPECTRUM:
        return Kinship.OTHER
    correlation, equal = _whitened(first, second)
    reach = round(MATCH_LAG * MATCH_RATE)
    near = np.abs(np.concatenate([correlation[-reach:], correlation[: reach + 1]]))
    lag, peak = int(np.argmax(near)) - reach, float(near.max())
    rms = max(float(np.sqrt(np.mean(np.square(correlation)))), 1e-20)
    if peak < MATCH_PEAK * rms or peak < MATCH_SHARE * equal:
        return Kinship.ALIKE
    one_instant = abs(lag) <= 1
    if one_instant and _pattern_likeness(first, second) <= MATCH_LIKENESS:
        return Kinship.ALIKE
    return Kinship.ONE


def _spectral_likeness(first: FloatArray, second: FloatArray) -> float:
    """Bhattacharyya coefficient of two power spectra, 0 to 1, as fine as their length allows."""
    window = np.hanning(first.size)
    sizes = [np.abs(np.fft.rfft(window * sound)) for sound in (first, second)]
    norm = float(np.linalg.norm(sizes[0]) * np.linalg.norm(sizes[1]))
    return float(np.sum(sizes[0] * sizes[1])) / max(norm, 1e-20)


def _whitened(first: FloatArray, second: FloatArray) -> tuple[FloatArray, float]:
    """Whitened correlation of two sounds, and its value if they were one."""
    size = 2 * first.size
    spectra = np.fft.rfft(first, size), np.fft.rfft(second, size)
    frequency = np.fft.rfftfreq(size, 1.0 / MATCH_RATE)
    used = _strong(spectra[0]) & _strong(spectra[1]) & (frequency > 100) & (frequency < 6000)
    cross = spectra[0] * np.conj(spectra[1])
    cross = np.where(used, cross / np.maximum(np.abs(cross), 1e-20), 0.0)
    return np.fft.irfft(cross, size), max(2.0 * float(used.sum()) / size, 1e-20)


def _pattern_likeness(first: FloatArray, second: FloatArray) -> float:
    """Correlation of how 39 bands of two sounds rise and fall."""
    frequency = np.fft.rfftfreq(MATCH_WINDOW, 1.0 / MATCH_RATE)
    weights = power_weights(erb_edges(), frequency).astype(np.float32)
    patterns = []
    for sound in (first, second):
        pattern = _band_energies(sound[None].astype(np.float32), weights) ** 0.25
        patterns.append(pattern - pattern.mean(axis=1, keepdims=True))
    norm = float(np.linalg.norm(patterns[0]) * np.linalg.norm(patterns[1]))
    return float(np.sum(patterns[0] * patterns[1])) / max(norm, 1e-20)


def _strong(spectrum: NDArray[np.complexfloating[Any]]) -> NDArray[np.bool_]:
    """Mark the neighbourhoods that lie within 40 dB of the strongest."""
    power = np.square(np.abs(spectrum))
    width = 801
    sums = np.cumsum(np.pad(power, (width // 2 + 1, width // 2)))
    smooth = sums[width:] - sums[:-width]
    return np.asarray(smooth > 1e-4 * smooth.max())
