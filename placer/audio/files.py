"""How stems are read from disk and how sound is written to it.

Use `read_stem` for a stem (or a span of it) in memory and `open_blocks` for a long one piece by
piece; `write_wav` for sound in memory and `write_blocks` for sound that is made piece by piece.
`info` reads only the header; `content_hash` names the exact bytes. A stem is one file or a pair of
mono files (`placer.audio.pairs`); `_Reading` is where either becomes channels.

*Conventions*: audio is (channel, frame) float32 and only this file transposes; sample rates in
Hz; spans in seconds. A file appears whole under its name or not at all. Nothing is clipped.

Sources
-------
libsndfile through soundfile: WAV (also RF64), FLAC and AIFF of 8 to 32-bit integers and floats.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from placer.audio.atomic import replacing
from placer.audio.checks import AudioInfo, checked_info, checked_pair, refuse_damage, refuse_silence
from placer.audio.pairs import MonoPair, StemFile, files_of
from placer.audio.resample import Audio, Resampler, output_frames, resample, source_span
from placer.errors import AudioError, FolderError

if TYPE_CHECKING:
    import soundfile

BYTES = {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}
"""Sample formats that can be written, bytes a sample."""
BLOCK = 1 << 16  # frames read at a time
WAV_LIMIT = 4 * 1024**3 - 4096  # bytes that a RIFF size field can name


@dataclass(frozen=True, slots=True)
class Stem:
    """Sound in memory.

    Attributes
    ----------
    samples : (channel, frame) float32, read-only, at the rate that was asked for
    source_rate : Hz of the file
    path : of the file or files
    resampled : whether the rate was converted
    """

    samples: Audio
    source_rate: int
    path: StemFile
    resampled: bool


class _Reading:
    """The open file, or the two open files of a pair, of one stem.

    Parameters
    ----------
    source : StemFile
        A file, or a pair of mono files; the shorter one of a pair goes on with silence.
    files : sequence of soundfile.SoundFile
        Open, in the order of the channels.
    """

    def __init__(self, source: StemFile, files: Sequence[soundfile.SoundFile]) -> None:
        self._files = files
        self._each = [_facts(*one) for one in zip(files_of(source), files, strict=True)]
        self.facts = checked_pair(source, *self._each) if len(files) == 2 else self._each[0]
        self._next = 0

    def seek(self, frame: int) -> None:
        """Go on from this frame."""
        self._next = frame
        for facts, file in zip(self._each, self._files, strict=True):
            file.seek(min(frame, facts.frames))

    def read_block(self, frames: int) -> Audio:
        """Read the next frames as (channel, frame), finite and all of them."""
        parts = [
            _read_block(facts, file, max(0, min(frames, facts.frames - self._next)))
            for facts, file in zip(self._each, self._files, strict=True)
        ]
        self._next += frames
        if len(parts) == 1:
            return parts[0]
        return np.concatenate(
            [np.pad(part, ((0, 0), (0, frames - part.shape[1]))) for part in parts]
        )

    def read(self, frames: int) -> Audio:
        """Read the next frames in blocks, (channel, frame)."""
        sizes = (min(BLOCK, frames - start) for start in range(0, frames, BLOCK))
        return np.concatenate([self.read_block(size) for size in sizes], axis=1)


@contextmanager
def _reading(source: StemFile) -> Iterator[_Reading]:
    """Open every file of a stem."""
    with ExitStack() as stack:
        yield _Reading(source, [stack.enter_context(_open(path)) for path in files_of(source)])


def info(path: StemFile) -> AudioInfo:
    """Header facts of a usable stem.

    Raises
    ------
    AudioError
        If a file is missing, unreadable or no usable stem (see `checks.checked_info`), or two
        files make no pair (see `checks.checked_pair`).
    """
    with _reading(path) as stem:
        return stem.facts


def read_stem(path: StemFile, sample_rate: int, *, span: tuple[float, float] | None = None) -> Stem:
    """Read a stem, or a span of it, at the cue's sample rate.

    Parameters
    ----------
    path : StemFile
        WAV, FLAC or AIFF; mono or stereo, or two mono files; 8 to 192 kHz.
    sample_rate : int
        Hz wanted; another rate is converted, aligned at time zero.
    span : (start, end) in s, optional
        Read only this much, sample for sample what the whole would give there; silence beyond
        the end of the file. Without a span the whole file is read and must not be silent.

    Returns
    -------
    Stem

    Raises
    ------
    AudioError
        As `info`; also for NaN or infinite samples and for silence.
    """
    with _reading(path) as stem:
        facts = stem.facts
        if span is None:
            samples = resample(stem.read(facts.frames), facts.sample_rate, sample_rate)
            refuse_silence(path, samples.min(1), samples.max(1), samples.mean(1))
        else:
            samples = _read_span(stem, sample_rate, span)
    samples.setflags(write=False)
    return Stem(samples, facts.sample_rate, path, facts.sample_rate != sample_rate)


class BlockReader:
    """A stem at the cue's rate, read from its beginning piece by piece; see `open_blocks`."""

    def __init__(self, stem: _Reading, sample_rate: int) -> None:
        self.info = facts = stem.facts
        self.channels = facts.channels
        self.frames = output_frames(facts.frames, facts.sample_rate, sample_rate)
        self._stem = stem
        self._left = facts.frames
        self._ready: Audio = np.zeros((facts.channels, 0), np.float32)
        self.watch: Callable[[Audio], None] = lambda _: None  # told what is read, unconverted
        self._convert: Resampler | None = None
        if facts.sample_rate != sample_rate:
            self._convert = Resampler(facts.channels, facts.sample_rate, sample_rate)

    def read(self, frames: int) -> Audio:
        """Give the next frames, (channel, at most `frames`) float32; none left: zero frames."""
        parts, held = [self._ready], self._ready.shape[1]
        while held < frames and self._left > 0:
            count = min(self._left, BLOCK)
            piece = self._stem.read_block(count)
            self._left -= count
            self.watch(piece)
            if self._convert is not None:
                piece = self._convert.push(piece, last=self._left == 0)
            parts.append(piece)
            held += piece.shape[1]
        joined = np.concatenate(parts, axis=1)
        self._ready = joined[:, frames:].copy()
        return joined[:, :frames]

    def __iter__(self) -> Iterator[Audio]:
        """Give blocks of `BLOCK` frames (the last may be shorter) until the end."""
        while (block := self.read(BLOCK)).shape[1]:
            yield block


@contextmanager
def open_blocks(path: StemFile, sample_rate: int) -> Iterator[BlockReader]:
    """Open a stem for reading piece by piece at `sample_rate` (Hz); silence is no error here."""
    with _reading(path) as stem:
        yield BlockReader(stem, sample_rate)


class BlockWriter:
    """Takes sound piece by piece; made by `write_blocks`."""

    def __init__(self, path: Path, file: soundfile.SoundFile) -> None:
        self._path = path
        self._file = file
        self.frames = 0

    def write(self, block: np.ndarray[Any, Any]) -> None:
        """Append (channel, frame) sound; refuse what the file's format would have to clip."""
        import soundfile

        peak = float(np.max(np.abs(block))) if block.size else 0.0
        if not math.isfinite(peak):
            raise AudioError(f"{self._path}: NaN or infinite samples cannot be written")
        if peak > 1.0 and self._file.subtype.startswith("PCM"):
            raise AudioError(
                f"{self._path}: peak {20 * math.log10(peak):+.2f} dBFS would clip in "
                f"{self._file.subtype}; lower the gain or write FLOAT"
            )
        try:
            self._file.write(np.ascontiguousarray(block.T))
        except (soundfile.SoundFileError, AssertionError) as error:
            raise FolderError(f"{self._path}: cannot be written; is the disk full?") from error
        self.frames += block.shape[1]


HEAD, PEAK_TIME = 512, 12
"""Bytes of a file that hold its chunks before the sound; of the PEAK chunk before its time: name,
size, version (libsndfile's wav.c, from memory)."""


@contextmanager
def write_blocks(
    path: Path, sample_rate: int, channels: int, *, subtype: str = "PCM_24"
) -> Iterator[BlockWriter]:
    """Write a WAV piece by piece; it takes its name only when whole and safely on disk.

    Parameters
    ----------
    path : Path
        The file to create or replace; its folder must exist.
    sample_rate : int
        Hz.
    channels : int
        Channels of every block.
    subtype : str
        One of `BYTES`.

    Raises
    ------
    AudioError
        If a sample is not finite or an integer format would clip it.
    FolderError
        If the file cannot be written (no such folder, read-only, disk full, beyond 4 GiB).
    """
    import soundfile

    if subtype not in BYTES:
        raise ValueError(f"subtype {subtype!r} (allowed: {', '.join(BYTES)})")
    with replacing(path) as temporary:
        try:
            file = soundfile.SoundFile(temporary, "w", sample_rate, channels, subtype, format="WAV")
        except soundfile.SoundFileError as error:
            raise FolderError(f"{path}: cannot be created; is its folder writable?") from error
        with file:
            writer = BlockWriter(path, file)
            yield writer
        _take_out_time(temporary)
        wanted = writer.frames * channels * BYTES[subtype]
        if wanted > WAV_LIMIT:
            raise FolderError(f"{path}: {wanted} bytes are more than a WAV file can hold (4 GiB)")
        if temporary.stat().st_size < wanted:
            raise FolderError(f"{path}: only partly written; is the disk full?")


def _take_out_time(path: Path) -> None:
    """Put 0 for the time of writing, which libsndfile notes beside the peak of a float file.

    The same sound is then the same file.
    """
    with path.open("r+b") as file:
        head = file.read(HEAD)
        chunk = head.find(b"PEAK")
        if chunk >= 0:
            file.seek(chunk + PEAK_TIME)
            file.write(bytes(4))


def write_wav(
    path: Path, samples: np.ndarray[Any, Any], sample_rate: int, subtype: str = "PCM_24"
) -> None:
    """Write (channel, frame) sound as a WAV file, whole or not at all; errors as `write_blocks`."""
    with write_blocks(path, sample_rate, samples.shape[0], subtype=subtype) as out:
        out.write(samples)


def content_hash(path: StemFile) -> str:
    """Name of a stem's exact bytes (BLAKE2b, 40 hexadecimal digits); AudioError if unreadable."""
    digest = hashlib.blake2b(digest_size=20)
    if isinstance(path, MonoPair):  # of the names of its two files, so that no two pairs are one
        digest.update(f"{content_hash(path.left)} {content_hash(path.right)}".encode())
        return digest.hexdigest()
    try:
        with path.open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
    except OSError as error:
        raise AudioError(f"{path}: cannot be read ({error.strerror})") from error
    return digest.hexdigest()


def _open(path: Path) -> soundfile.SoundFile:
    """Open for reading; every failure becomes one clear AudioError."""
    import soundfile

    try:
        if not path.exists():
            raise AudioError(f"{path}: no such file; check the name in the cue file")
        if not path.is_file():
            raise AudioError(f"{path}: is not a file; name one WAV, FLAC or AIFF file")
        if path.stat().st_size == 0:
            raise AudioError(f"{path}: is empty (0 bytes); export it again")
        path.open("rb").close()  # the library would only say "System error"
        return soundfile.SoundFile(path)
    except (soundfile.SoundFileError, TypeError) as error:
        reason = str(error).rpartition(": ")[2].rstrip(".")
        raise AudioError(
            f"{path}: cannot be read as audio ({reason}); allowed: WAV, FLAC, AIFF"
        ) from error
    except OSError as error:
        raise AudioError(f"{path}: cannot be read ({error.strerror})") from error


def _facts(path: Path, file: soundfile.SoundFile) -> AudioInfo:
    """Check the header once, here."""
    return checked_info(
        AudioInfo(path, file.frames, file.samplerate, file.channels, file.format, file.subtype)
    )


def _read_block(facts: AudioInfo, file: soundfile.SoundFile, frames: int) -> Audio:
    """Read one block as (channel, frame) and judge it."""
    import soundfile

    try:
        samples = np.ascontiguousarray(file.read(frames, dtype="float32", always_2d=True).T)
    except soundfile.SoundFileError as error:
        raise AudioError(f"{facts.path}: is damaged or cut off; export it again") from error
    if samples.shape[1] < frames:
        raise AudioError(
            f"{facts.path}: is cut off ({frames - samples.shape[1]} frames or more are missing); "
            "export it again"
        )
    refuse_damage(facts, samples, file.tell() - frames)
    return samples


def _read_span(stem: _Reading, sample_rate: int, span: tuple[float, float]) -> Audio:
    """Read (start, end) s, padded with silence beyond the end of the stem."""
    facts = stem.facts
    first, last = round(span[0] * sample_rate), round(span[1] * sample_rate)
    begin, end, skip = source_span(first, last, facts.sample_rate, sample_rate)
    result = np.zeros((facts.channels, last - first), np.float32)
    if begin < facts.frames:
        stem.seek(begin)
        piece = stem.read(min(end, facts.frames) - begin)
        piece = resample(piece, facts.sample_rate, sample_rate)[:, skip : skip + last - first]
        result[:, : piece.shape[1]] = piece
    return result
