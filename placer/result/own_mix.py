"""The composer's own mix beside those of a run: at their loudness, below their ceiling.

*Conventions*: stereo at the cue's rate, as long as every mix of the run. Nothing but one gain is
done to it; what is longer than the mixes is faded out over `FADE` s at their end.

`render_own_mix`: its file, and what result.json says of it.

Sources
-------
ITU-R BS.1770-5: loudness and true peak.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from placer.audio.files import content_hash, open_blocks, write_blocks
from placer.audio.loudness import Meter
from placer.cue.records import Cue
from placer.result.folder import finite
from placer.result.mixing import mix_frames
from placer.result.model import OwnMix
from placer.result.render import meeting_gain_db
from sim.decibel import FloatArray, amplitude

BLOCK = 1 << 16
FADE = 0.05
"""s; only where the composer's mix is still going on when the others have ended."""


def render_own_mix(cue: Cue, path: Path) -> OwnMix | None:
    """Write the composer's own mix as one more version of a run.

    Parameters
    ----------
    cue : Cue
    path : Path
        File to write or replace.

    Returns
    -------
    OwnMix or None
        For result.json; None where the cue names none.

    Raises
    ------
    AudioError, FolderError
        It cannot be read; the disk cannot take it.
    """
    if cue.compare is None:
        return None
    frames = mix_frames(cue)
    meter = Meter(2, cue.sample_rate)
    for block in _blocks(cue.compare, cue.sample_rate, frames):
        meter.push(block)
    target, ceiling = cue.loudness.target_lufs, cue.loudness.ceiling_dbtp
    gain_db = meeting_gain_db(
        meter.loudness, meter.true_peak_db, target_lufs=target, ceiling_dbtp=ceiling
    )
    gain = np.float32(amplitude(gain_db))
    with write_blocks(path, cue.sample_rate, 2) as writer:
        for block in _blocks(cue.compare, cue.sample_rate, frames):
            writer.write(gain * block)
    return OwnMix(
        source=cue.compare.name,
        hash=content_hash(cue.compare),
        lufs=finite(meter.loudness + gain_db, 3),
        true_peak_dbtp=finite(meter.true_peak_db + gain_db, 3),
        gain_db=finite(gain_db, 3),
        missed_lu=finite(max(0.0, target - meter.loudness - gain_db), 3),
    )


def _blocks(path: Path, sample_rate: int, frames: int) -> Iterator[FloatArray]:
    """The file in stereo, (2, frame), cut or filled up with silence to `frames`."""
    with open_blocks(path, sample_rate) as file:
        fade = round(FADE * sample_rate) if file.frames > frames else 0
        for start in range(0, frames, BLOCK):
            count = min(BLOCK, frames - start)
            part = file.read(count)
            block = np.zeros((2, count), np.float32)
            block[:, : part.shape[1]] = part  # a mono file is heard from both sides
            left = frames - start - np.arange(count)  # frames until the end
            if fade and left[-1] <= fade:
                shape = 0.5 - 0.5 * np.cos(np.pi * np.minimum(left, fade) / fade)
                block *= shape.astype(np.float32)
            yield block
