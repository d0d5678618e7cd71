"""How placements become the audio that one hears: full length, full rate.

*Conventions*: (channel, frame) float32 at the cue's rate. Every track is set back to the loudness
that it has in the reference, over its whole length; the sum then gets one gain: to the loudness
target, or less where the true-peak ceiling comes first. Nothing is filtered, limited or clipped.
Sound streams through temporary files beside the result, so that memory does not grow with length or
tracks; room for them is taken first, so that a full disk is an error and not a broken mapping.

`TrackRender`: how one track is mixed. `render_mix`: all tracks to one file and its measurements.

Sources
-------
ITU-R BS.1770-5: loudness and true peak.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from placer.audio.atomic import part_name
from placer.audio.files import open_blocks, write_blocks
from placer.audio.loudness import Meter
from placer.cue.records import Cue, Track
from placer.errors import FolderError
from placer.result.convolve import Convolver
from sim.decibel import FLOOR_DB, FloatArray, amplitude

BLOCK = 1 << 16
"""Frames mixed at a time once tracks are placed."""

THREADS = 2


@dataclass(frozen=True, slots=True)
class TrackRender:
    """How one track reaches left and right.

    Attributes
    ----------
    track : the files
    responses : (input channel, 2, tap) stereo response of each input channel; one tap where a
        recorded position is only weighted
    target_lufs : loudness of the whole placed track, or None to leave it as it is
    """

    track: Track
    responses: FloatArray
    target_lufs: float | None


@dataclass(frozen=True, slots=True)
class RenderedTrack:
    """What one track measured: loudness before and gain after it was set back, dB."""

    loudness: float
    make_up_db: float


@dataclass(frozen=True, slots=True)
class RenderedMix:
    """What one mix measured over its whole length.

    Attributes
    ----------
    lufs, true_peak_dbtp : of the file
    gain_db : the one gain of the whole mix
    missed_lu : LU below the target, where the ceiling came first
    tracks : one record a track
    """

    lufs: float
    true_peak_dbtp: float
    gain_db: float
    missed_lu: float
    tracks: tuple[RenderedTrack, ...]


def meeting_gain_db(
    loudness: float, true_peak: float, *, target_lufs: float, ceiling_dbtp: float
) -> float:
    """The one gain of a mix: to the target, or as far as the ceiling lets it.

    Examples
    --------
    >>> meeting_gain_db(-30.0, -9.0, target_lufs=-23.0, ceiling_dbtp=-1.0)
    7.0
    >>> meeting_gain_db(-30.0, -6.0, target_lufs=-23.0, ceiling_dbtp=-1.0)
    5.0
    """
    return min(target_lufs - loudness, ceiling_dbtp - true_peak)


def render_mix(
    cue: Cue,
    renders: Sequence[TrackRender],
    path: Path,
    *,
    frames: int,
    stems: Path | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> RenderedMix:
    """Render all tracks to one stereo file of 24 bits.

    Parameters
    ----------
    cue : Cue
    renders : sequence of TrackRender
    path : Path
        File to write or replace.
    frames : int
        Length of the mix at the cue's rate.
    stems : Path, optional
        Folder for the placed tracks as 32-bit float files that sum to the mix.
    progress : callable
        Told each track's name when it is placed.

    Returns
    -------
    RenderedMix

    Raises
    ------
    AudioError, FolderError
        A stem that cannot be read; a disk that cannot take the result.
    """
    with _scratch(path) as scratch, ThreadPoolExecutor(THREADS) as pool:
        mix = _silence(scratch / "mix", frames)
        results = []

        def place(item: tuple[int, TrackRender]) -> RenderedTrack:
            return _place(cue, item[1], scratch / f"track-{item[0]}", frames)

        # tracks are placed side by side but added in order, so that the sum is always the same
        for index, result in enumerate(pool.map(place, enumerate(renders))):
            _add(mix, scratch / f"track-{index}", result.make_up_db)
            if stems is None:
                (scratch / f"track-{index}").unlink()
            results.append(result)
            progress(renders[index].track.name)
        meter = _measured(mix, cue.sample_rate)
        gain_db = meeting_gain_db(
            meter.loudness,
            meter.true_peak_db,
            target_lufs=cue.loudness.target_lufs,
            ceiling_dbtp=cue.loudness.ceiling_dbtp,
        )
        if meter.loudness <= FLOOR_DB:
            gain_db = 0.0
        _write(mix, path, cue.sample_rate, gain_db, "PCM_24")
        if stems is not None:
            for index, (render, result) in enumerate(zip(renders, results, strict=True)):
                placed = np.memmap(scratch / f"track-{index}", np.float32, "r").reshape(-1, 2)
                stem = stems / f"{render.track.name}.wav"
                _write(placed, stem, cue.sample_rate, gain_db + result.make_up_db, "FLOAT")
    return RenderedMix(
        lufs=meter.loudness + gain_db,
        true_peak_dbtp=meter.true_peak_db + gain_db,
        gain_db=gain_db,
        missed_lu=max(0.0, cue.loudness.target_lufs - meter.loudness - gain_db),
        tracks=tuple(results),
    )


@contextmanager
def _scratch(path: Path) -> Iterator[Path]:
    """Give a folder beside `path` that goes away again.

    Raises
    ------
    FolderError
        It cannot be made or written to.
    """
    folder = path.with_name(part_name(f"{path.name}.tracks"))
    try:
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        yield folder
    except OSError as error:
        raise FolderError(
            f"{path}: cannot be rendered ({error.strerror}); is there room on the disk?"
        ) from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _silence(path: Path, frames: int) -> np.memmap:
    """Map a file of (frame, 2) zeros that has its room on the disk."""
    with path.open("wb") as file:
        for start in range(0, frames, BLOCK):
            file.write(bytes(8 * min(BLOCK, frames - start)))
    return np.memmap(path, np.float32, "r+", shape=(frames, 2))


def _place(cue: Cue, render: TrackRender, path: Path, frames: int) -> RenderedTrack:
    """Stream one track through its responses into a scratch file of (frame, 2) float32."""
    convolver = Convolver(render.responses)
    meter = Meter(2, cue.sample_rate, peaks=False)
    with ExitStack() as stack:
        files = [
            stack.enter_context(open_blocks(file, cue.sample_rate)) for file in render.track.files
        ]
        placed = stack.enter_context(path.open("wb"))
        for start in range(0, frames, convolver.step):
            count = min(convolver.step, frames - start)
            block = np.concatenate([_padded(file.read(count), count) for file in files])
            sound = convolver.push(block)
            meter.push(sound)
            placed.write(np.ascontiguousarray(sound.T).tobytes())
    loudness = meter.loudness
    target = render.target_lufs
    make_up = 0.0 if target is None or loudness <= FLOOR_DB else target - loudness
    return RenderedTrack(loudness, make_up)


def _add(mix: np.memmap, path: Path, gain_db: float) -> None:
    """Add a scratch file to the mix."""
    gain = np.float32(amplitude(gain_db))
    placed = np.memmap(path, np.float32, "r").reshape(-1, 2)
    for start in range(0, mix.shape[0], BLOCK):
        mix[start : start + BLOCK] += gain * placed[start : start + BLOCK]


def _padded(block: FloatArray, frames: int) -> FloatArray:
    """Silence behind a stem that has ended."""
    return np.pad(block, ((0, 0), (0, frames - block.shape[1])))


def _measured(mix: np.memmap, sample_rate: int) -> Meter:
    meter = Meter(2, sample_rate)
    for start in range(0, mix.shape[0], BLOCK):
        meter.push(mix[start : start + BLOCK].T)
    return meter


def _write(sound: np.ndarray, path: Path, sample_rate: int, gain_db: float, subtype: str) -> None:
    gain = np.float32(amplitude(gain_db))
    with write_blocks(path, sample_rate, 2, subtype=subtype) as writer:
        for start in range(0, sound.shape[0], BLOCK):
            writer.write(gain * sound[start : start + BLOCK].T)
