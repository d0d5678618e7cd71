"""How placements become the audio that one hears: full length, full rate.

*Conventions*: (channel, frame) float32 at the cue's rate. Every track is set back to the loudness
that it has in the reference, over its whole length; the sum then gets one gain: to the loudness
target, or less where the true-peak ceiling comes first. Nothing is filtered, limited or clipped.
All mixes are rendered in one pass over the stems, a few tracks at a time, through files beside the
result, so that memory does not grow with length or tracks.

For listening move by move, the passage of every track that a mix places otherwise than the first
mix is kept too, in both versions, at the gain of the first mix.

`MixRender`: one mix. `KeptPassage`: what is kept for listening move by move. `render_mixes`: all
mixes to one file each, and their measurements.

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
from typing import BinaryIO

import numpy as np

from placer.audio.atomic import part_name
from placer.audio.files import write_blocks
from placer.audio.loudness import Meter
from placer.cue.records import Cue
from placer.errors import FolderError
from placer.result.place import Placed, RenderedTrack, TrackRender, place_track, write_piece
from sim.decibel import FLOOR_DB, FloatArray, amplitude

BLOCK = 1 << 16
"""Frames mixed at a time once tracks are placed."""

THREADS = 2

WINDOW = 4
"""Tracks placed before they are added to the mixes; as many more lie on the disk meanwhile."""


SAME_GAIN_DB = 1e-3
"""Make-up gains of one sound that differ by less, dB, are rounding."""


@dataclass(frozen=True, slots=True)
class MixRender:
    """One mix to be rendered.

    Attributes
    ----------
    path : file to write or replace
    tracks : in the same order in all mixes
    stems : folder for the placed tracks as 32-bit float files that sum to the mix, or None
    """

    path: Path
    tracks: Sequence[TrackRender]
    stems: Path | None = None


@dataclass(frozen=True, slots=True)
class KeptPassage:
    """The passage of which tracks are kept one by one.

    Attributes
    ----------
    start, stop : first frame, and the frame behind the last one
    folders : one a mix, for its placed tracks as 32-bit float files named after the track
    """

    start: int
    stop: int
    folders: Sequence[Path]


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


def render_mixes(
    cue: Cue,
    mixes: Sequence[MixRender],
    *,
    frames: int,
    passage: KeptPassage | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> list[RenderedMix]:
    """Render mixes of the same tracks, each to one stereo file of 24 bits.

    Parameters
    ----------
    cue : Cue
    mixes : sequence of MixRender
    frames : int
        Length at the cue's rate.
    passage : KeptPassage, optional
        Keeps tracks that differ from the first mix.
    progress : callable
        Told each track's name when it is placed in all mixes, then each mix's when it is written.

    Returns
    -------
    list of RenderedMix

    Raises
    ------
    AudioError, FolderError
        A stem that cannot be read; a disk that cannot take the result.
    """
    every = list(zip(*(mix.tracks for mix in mixes), strict=True))
    found: list[list[Placed]] = []
    with (
        _scratch(mixes[0].path) as scratch,
        ThreadPoolExecutor(THREADS) as pool,
        _ending(pool),
    ):

        def place(index: int) -> list[Placed]:
            return place_track(cue, every[index], scratch / f"track-{index}", frames)

        def placing(start: int) -> Iterator[list[Placed]]:
            return pool.map(place, range(start, min(start + WINDOW, len(every))))

        def add(number: int) -> None:
            _add(scratch / f"mix-{number}", [one[number] for one in window], frames)

        def finish(number: int) -> RenderedMix:
            mine = [one[number] for one in found]
            return _finished(cue, mixes[number], scratch / f"mix-{number}", mine)

        # tracks are placed side by side but added in order, so that the sum is always the same;
        # the next ones are begun before these are added, so that no thread waits
        following = placing(0)
        for start in range(0, len(every), WINDOW):
            placed, following = following, placing(start + WINDOW)
            window = []
            for one in placed:
                window.append(one)
                progress(every[start + len(window) - 1][0].track.name)
            list(pool.map(add, range(len(mixes))))
            if passage is not None:
                for one in window:
                    _keep(one, passage, frames)
            found += window
            if all(mix.stems is None for mix in mixes):
                for path in {one.path for tracks in window for one in tracks}:
                    path.unlink()
        rendered: list[RenderedMix] = []
        for mix, done in zip(mixes, pool.map(finish, range(len(mixes))), strict=True):
            rendered.append(done)
            progress(mix.path.name)
        if passage is not None:
            _write_passage(cue, found, passage, rendered[0].gain_db)
        return rendered


def _cut_of(placed: Placed) -> Path:
    """Scratch file of the passage of a placed track."""
    return placed.path.with_name(f"{placed.path.name}-passage")


def _differing(track: Sequence[Placed]) -> list[int]:
    """Numbers of the mixes in which a track sounds otherwise than in the first."""
    first = track[0]
    return [
        number
        for number, one in enumerate(track)
        if one.path != first.path
        or abs(one.result.make_up_db - first.result.make_up_db) > SAME_GAIN_DB
    ]


def _keep(track: Sequence[Placed], passage: KeptPassage, frames: int) -> None:
    """Cut the passage out of one track's scratch files, where any mix places it otherwise."""
    if not _differing(track):
        return
    count = passage.stop - passage.start
    for path, cut in {one.path: _cut_of(one) for one in track}.items():
        with cut.open("wb") as out:
            for channel in range(2):
                offset = 4 * (channel * frames + passage.start)
                np.fromfile(path, np.float32, count, offset=offset).tofile(out)


def _write_passage(
    cue: Cue, found: Sequence[Sequence[Placed]], passage: KeptPassage, gain_db: float
) -> None:
    """Write the kept passages: of each mix what differs from the first, and that of the first."""
    for track, placed in zip(cue.tracks, found, strict=True):
        differing = _differing(placed)
        for number in [0, *differing] if differing else []:
            one, path = placed[number], passage.folders[number] / f"{track.name}.wav"
            gain = gain_db + one.result.make_up_db
            _write(_cut_of(one), path, cue.sample_rate, gain, "FLOAT")


@contextmanager
def _ending(pool: ThreadPoolExecutor) -> Iterator[None]:
    """What has not begun when an error or a signal ends the work never will."""
    try:
        yield
    finally:
        pool.shutdown(cancel_futures=True)


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


def _pieces(file: BinaryIO, frames: int) -> Iterator[FloatArray]:
    """Scratch file piece by piece, (2, frame)."""
    for start in range(0, frames, BLOCK):
        piece = np.zeros((2, min(BLOCK, frames - start)), dtype=np.float32)
        for channel, samples in enumerate(piece):
            file.seek(samples.itemsize * (channel * frames + start))
            file.readinto(samples.data)  # type: ignore[attr-defined]
        yield piece


def _add(path: Path, placed: Sequence[Placed], frames: int) -> None:
    """Add placed tracks to a mix, in place; it begins as silence."""
    gains = [np.float32(amplitude(one.result.make_up_db)) for one in placed]
    with ExitStack() as stack:
        sounds = [_pieces(stack.enter_context(one.path.open("rb")), frames) for one in placed]
        sums = stack.enter_context(path.open("r+b" if path.exists() else "w+b"))
        start = 0
        for total, *pieces in zip(_pieces(sums, frames), *sounds, strict=True):
            for gain, piece in zip(gains, pieces, strict=True):
                piece *= gain
                total += piece
            write_piece(sums, total, start, frames)
            start += total.shape[1]


def _finished(cue: Cue, mix: MixRender, path: Path, placed: Sequence[Placed]) -> RenderedMix:
    """Give a whole mix its one gain and write it, and its stems."""
    frames = path.stat().st_size // 8
    meter = Meter(2, cue.sample_rate)
    with path.open("rb") as file:
        for piece in _pieces(file, frames):
            meter.push(piece)
    target, ceiling = cue.loudness.target_lufs, cue.loudness.ceiling_dbtp
    gain_db = meeting_gain_db(
        meter.loudness, meter.true_peak_db, target_lufs=target, ceiling_dbtp=ceiling
    )
    if meter.loudness <= FLOOR_DB:
        gain_db = 0.0
    _write(path, mix.path, cue.sample_rate, gain_db, "PCM_24")
    for one, render in zip(placed, mix.tracks, strict=True):
        if mix.stems is not None:
            stem = mix.stems / f"{render.track.name}.wav"
            _write(one.path, stem, cue.sample_rate, gain_db + one.result.make_up_db, "FLOAT")
    return RenderedMix(
        lufs=meter.loudness + gain_db,
        true_peak_dbtp=meter.true_peak_db + gain_db,
        gain_db=gain_db,
        missed_lu=max(0.0, target - meter.loudness - gain_db),
        tracks=tuple(one.result for one in placed),
    )


def _write(scratch: Path, path: Path, sample_rate: int, gain_db: float, subtype: str) -> None:
    gain = np.float32(amplitude(gain_db))
    with scratch.open("rb") as file, write_blocks(path, sample_rate, 2, subtype=subtype) as writer:
        for piece in _pieces(file, scratch.stat().st_size // 8):
            writer.write(gain * piece)
