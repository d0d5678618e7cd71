"""How one track is placed in all mixes at once, in one pass over its files.

*Conventions*: (channel, frame) float32 at the cue's rate; scratch files hold (2, frame) float32.

`TrackRender`: how one track is mixed. `place_track`: its sound and loudness in every mix.
`direct_db`: how much of a response is direct sound.

Sources
-------
ITU-R BS.1770-5: loudness. Direct-to-reverberant ratio: `sim.parameters`.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal

import numpy as np

from placer.audio.files import open_blocks
from placer.audio.loudness import Meter
from placer.cue.records import Cue, Track
from placer.result.convolve import Convolver
from sim.decibel import FLOOR_DB, FloatArray
from sim.parameters import direct_to_reverberant_db


@dataclass(frozen=True, slots=True)
class TrackRender:
    """How one track reaches left and right in one mix.

    Attributes
    ----------
    track : the files
    responses : makes the (input channel, 2, tap) stereo responses of the input channels; one tap
        where a recorded position is only weighted. Called once, in a thread
    loud_as : the whole placed track gets the loudness of its "stem", that of the same track in
        the "first" mix, or keeps its "own"
    trim_db : added to that
    key : renders of a track with equal keys have equal responses; None is equal to nothing
    """

    track: Track
    responses: Callable[[], FloatArray]
    loud_as: Literal["stem", "first", "own"] = "own"
    trim_db: float = 0.0
    key: Hashable = None


@dataclass(frozen=True, slots=True)
class RenderedTrack:
    """What one track measured in one mix.

    Attributes
    ----------
    loudness : before it was set back, LUFS
    make_up_db : gain that set it back
    direct_db : direct sound against the rest in the louder side's response, dB; None for a
        recorded track, whose direct sound cannot be told from its early sound
    """

    loudness: float
    make_up_db: float
    direct_db: float | None = None


@dataclass(frozen=True, slots=True)
class Placed:
    """One track of one mix, in a scratch file of (2, frame) float32."""

    path: Path
    result: RenderedTrack


def place_track(cue: Cue, renders: Sequence[TrackRender], path: Path, frames: int) -> list[Placed]:
    """Stream one track through its responses in all mixes; equal sounds are placed once.

    Parameters
    ----------
    cue : Cue
    renders : sequence of TrackRender
        Of the same track, one a mix.
    path : Path
        What the names of its scratch files begin with.
    frames : int

    Returns
    -------
    list of Placed
        One a mix; equal sounds share a file.

    Raises
    ------
    AudioError
        A file cannot be read.
    OSError
        A scratch file cannot be written.
    """
    track, rate = renders[0].track, cue.sample_rate
    kinds: dict[Hashable, int] = {}
    numbers = [
        kinds.setdefault(("mix", mix) if render.key is None else render.key, len(kinds))
        for mix, render in enumerate(renders)
    ]
    responses = [renders[numbers.index(kind)].responses() for kind in range(len(kinds))]
    direct = [direct_db(track, one, rate) for one in responses]
    convolver = Convolver(_stacked(responses), frames)
    del responses
    paths = [path.with_name(f"{path.name}-{kind}") for kind in kinds.values()]
    meters = [Meter(2, rate, peaks=False) for _ in paths]
    with ExitStack() as stack:
        files = [stack.enter_context(open_blocks(file, rate)) for file in track.files]
        outs = [stack.enter_context(one.open("wb")) for one in paths]
        stem = Meter(files[0].channels, rate, peaks=False)
        for start in range(0, frames, convolver.step):
            count = min(convolver.step, frames - start)
            parts = [file.read(count) for file in files]
            if any(render.loud_as == "stem" for render in renders):
                stem.push(parts[0])
            block = np.concatenate([_padded(part, count) for part in parts])
            for sound, meter, out in zip(convolver.push(block), meters, outs, strict=True):
                meter.push(sound)
                write_piece(out, sound, start, frames)
    heard = [meters[number].loudness for number in numbers]
    gains = _make_ups(renders, heard, stem.loudness)
    return [
        Placed(paths[number], RenderedTrack(loudness, gain, direct[number]))
        for number, loudness, gain in zip(numbers, heard, gains, strict=True)
    ]


def write_piece(file: BinaryIO, piece: FloatArray, start: int, frames: int) -> None:
    """Write (2, n) from frame `start` on into a scratch file of `frames` frames."""
    for channel, samples in enumerate(piece):
        file.seek(samples.itemsize * (channel * frames + start))
        file.write(samples.data)


def _make_ups(renders: Sequence[TrackRender], heard: Sequence[float], stem: float) -> list[float]:
    """Gain in dB that sets a track back in each mix; 0 where it, or its model, is silent."""
    gains: list[float] = []
    for render, loudness in zip(renders, heard, strict=True):
        first = heard[0] + (gains[0] if gains else 0.0)
        wanted = {"stem": stem, "first": first, "own": loudness}[render.loud_as]
        silent = min(loudness, heard[0] if render.loud_as == "first" else wanted) <= FLOOR_DB
        gains.append(0.0 if silent else wanted + render.trim_db - loudness)
    return gains


def direct_db(track: Track, responses: FloatArray, sample_rate: int) -> float | None:
    """Direct sound against the rest in the louder side's response of a dry track."""
    if track.kind != "dry":
        return None
    sides = responses.sum(axis=0)
    louder = sides[int(np.argmax(np.sum(np.square(sides), axis=-1)))]
    return float(direct_to_reverberant_db(louder[None], sample_rate)[0])


def _stacked(responses: Sequence[FloatArray]) -> FloatArray:
    """Responses of all mixes, as long as the longest."""
    taps = max(one.shape[-1] for one in responses)
    return np.stack(
        [np.pad(one, ((0, 0),) * 2 + ((0, taps - one.shape[-1]),)) for one in responses]
    )


def _padded(block: FloatArray, frames: int) -> FloatArray:
    """Silence behind a stem that has ended."""
    return np.pad(block, ((0, 0), (0, frames - block.shape[1])))
