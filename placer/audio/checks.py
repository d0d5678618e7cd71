"""Which audio files and samples make a usable stem.

`checked_info` and `checked_pair` refuse by the header, `refuse_damage` and `refuse_silence` by the
samples. `missing_bytes` finds exports that were cut off: the decoding library quietly shortens such
a file, a composer would rather hear of it.

*Conventions*: audio (channel, frame); sample rates in Hz; sizes in bytes.

Sources
-------
RIFF/WAVE: Multimedia Programming Interface and Data Specifications 1.0 (1991), chunks are a
four-letter name, a 32-bit little-endian size and the data, padded to even length.
RF64: EBU Tech 3306, 64-bit sizes in a `ds64` chunk. AIFF: Audio Interchange File Format 1.3,
the same with big-endian sizes and the sound in `SSND`.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from placer.audio.pairs import StemFile, files_of
from placer.audio.resample import Audio
from placer.errors import AudioError

FORMATS = ("WAV", "WAVEX", "RF64", "FLAC", "AIFF")
SUBTYPES = ("PCM_U8", "PCM_S8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE")
LOWEST_RATE, HIGHEST_RATE = 8000, 192000
MAX_SECONDS = 3600.0
"""Longest stem that is read; a cue is minutes long, so more is a wrong file."""
MIN_SECONDS = 0.01
"""Shorter than any note: a stray export."""
SILENCE_PEAK = 1e-5
"""A stem that never moves this far from its mean (-100 dBFS) counts as silent."""
SIZE_IN_DS64 = 0xFFFFFFFF
MOST_APART = 1.0
"""s that one file of a pair may be longer than the other; more is a wrong partner."""
MAX_CHUNKS = 4096
"""A header with more chunks than this is damaged; reading on would only waste time."""


@dataclass(frozen=True, slots=True)
class AudioInfo:
    """What the header says: frames, Hz, channels, and how the samples are stored."""

    path: StemFile
    frames: int
    sample_rate: int
    channels: int
    container: str
    subtype: str

    @property
    def seconds(self) -> float:
        """Length in s."""
        return self.frames / self.sample_rate


def checked_info(facts: AudioInfo) -> AudioInfo:
    """Give back the facts of a usable stem.

    Raises
    ------
    AudioError
        If the file is of another format, has more than two channels, a rate outside 8 to 192
        kHz, is cut off, empty or longer than `MAX_SECONDS`.
    """
    path = facts.path
    if facts.container not in FORMATS or facts.subtype not in SUBTYPES:
        raise AudioError(
            f"{path}: is {facts.container} {facts.subtype}; allowed: WAV, FLAC or AIFF, not "
            "compressed with loss (such files do not start exactly at time zero)"
        )
    if facts.channels > 2:
        raise AudioError(
            f"{path}: has {facts.channels} channels, allowed: 1 or 2; export each microphone "
            "position to a mono or stereo file of its own"
        )
    if not LOWEST_RATE <= facts.sample_rate <= HIGHEST_RATE:
        raise AudioError(
            f"{path}: sample rate {facts.sample_rate} Hz, allowed: {LOWEST_RATE} to "
            f"{HIGHEST_RATE} Hz; export it at the session's rate"
        )
    if missing := sum(missing_bytes(file) for file in files_of(path)):
        raise AudioError(f"{path}: is cut off ({missing} bytes are missing); export it again")
    if facts.seconds < MIN_SECONDS:
        raise AudioError(
            f"{path}: holds {facts.frames} frames, too short to be a stem; export it again"
        )
    if facts.seconds > MAX_SECONDS:
        raise AudioError(
            f"{path}: is {facts.seconds:.0f} s long, allowed: up to {MAX_SECONDS:.0f} s; "
            "export the cue by itself"
        )
    return facts


def checked_pair(source: StemFile, left: AudioInfo, right: AudioInfo) -> AudioInfo:
    """Give the facts of the stereo stem that two mono files make.

    Raises
    ------
    AudioError
        If one of them is not mono, or they differ in sample rate or by more than `MOST_APART` s.
    """
    for side in (left, right):
        if side.channels != 1:
            raise AudioError(
                f"{side.path}: has {side.channels} channels; the two files of a pair are mono "
                "each, so name a stereo file by itself"
            )
    if left.sample_rate != right.sample_rate:
        raise AudioError(
            f"{right.path}: sample rate {right.sample_rate} Hz, but {left.path} has "
            f"{left.sample_rate} Hz; export both sides of a pair at one rate"
        )
    if abs(left.seconds - right.seconds) > MOST_APART:
        raise AudioError(
            f"{source}: are {left.seconds:.1f} s and {right.seconds:.1f} s long; export both sides "
            "of a pair over one range"
        )
    frames = max(left.frames, right.frames)
    return AudioInfo(source, frames, left.sample_rate, 2, left.container, left.subtype)


def refuse_damage(facts: AudioInfo, samples: Audio, first: int) -> None:
    """Raise AudioError if a sample of (channel, frame) sound is NaN or infinite.

    Parameters
    ----------
    facts : AudioInfo
        Of the file, for the message.
    samples : (channel, frame) float32
        What was read.
    first : int
        Frame of the file at which `samples` begin.
    """
    bad = ~np.isfinite(samples)
    if bad.any():
        channel, frame = np.argwhere(bad)[0]
        at = (first + int(frame)) / facts.sample_rate
        raise AudioError(
            f"{facts.path}: a sample is NaN or infinite (channel {channel + 1}, at {at:.3f} s); "
            "export it again"
        )


def refuse_silence(path: StemFile, low: Audio, high: Audio, mean: Audio) -> None:
    """Raise AudioError if a stem never moves from its mean.

    Parameters
    ----------
    path : StemFile
        Of the file or files, for the message.
    low, high, mean : (channel,) float32
        Lowest, highest and mean sample of each channel.
    """
    if float(np.max(np.maximum(high - mean, mean - low))) < SILENCE_PEAK:
        constant = float(np.max(np.abs(mean))) >= SILENCE_PEAK
        what = "holds only a constant offset (DC)" if constant else "is silent throughout"
        raise AudioError(f"{path}: {what}; export it again or take it out of the cue")


def missing_bytes(path: Path) -> int:
    """How many bytes of sound the header promises beyond the end of the file.

    Parameters
    ----------
    path : Path
        An audio file. FLAC and unknown formats carry no size and give 0: their decoder notices.

    Returns
    -------
    int
        0 when the file is whole.
    """
    present = path.stat().st_size
    with path.open("rb") as file:
        form = file.read(12)
        if form[:4] in (b"RIFF", b"RF64") and form[8:12] == b"WAVE":
            end = _sound_end(file, "<I", b"data")
        elif form[:4] == b"FORM" and form[8:12] in (b"AIFF", b"AIFC"):
            end = _sound_end(file, ">I", b"SSND")
        else:
            return 0
    return max(0, end - present)


def _sound_end(file: BinaryIO, size_format: str, wanted: bytes) -> int:
    """Where the chunk of sound should end; 0 if there is none (the decoder says so)."""
    long_size: int | None = None
    for _ in range(MAX_CHUNKS):
        head = file.read(8)
        if len(head) < 8:
            return 0
        (size,) = struct.unpack(size_format, head[4:])
        if head[:4] == wanted:
            if size == SIZE_IN_DS64 and long_size is not None:
                size = long_size
            return file.tell() + int(size)
        begin = file.tell()
        if head[:4] == b"ds64" and len(sizes := file.read(16)) == 16:
            long_size = struct.unpack("<QQ", sizes)[1]
        file.seek(begin + size + (size & 1))
    return 0
