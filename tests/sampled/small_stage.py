"""A few sampled layers in a small room, placed and judged by real convolution.

*Conventions*: blends are close, tree, outriggers, hall in dB. Low notes of few layers meet one
another and the room by single frequencies, so ways of placing are compared over several seats.

`stage`: from layers to a scorer. `placed`: a placement by blend and seat. `heard`: the part of the
cost that is about hearing the layers. `low_band_db`: weight of the lows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile
from placer.trial.material import gather
from placer.trial.ready import survey_cue
from placer.trial.scoring import ExactScorer, Scored

from placer.cue.read import read_cue
from placer.cue.records import Placement
from placer.placement.passages import read_passage
from placer.progress import Quiet
from tests.sampled.make_sampled import SAMPLE_RATE, play
from tests.sampled.music import Music

HEAD = """# Small stage (invented): a short passage in a rather dry room
[cue]
name = "Small stage (invented)"
sample_rate = 48000

[loudness]
target_lufs = -24.0
ceiling_dbtp = -1.0

[room]
width = 18.0
depth = 25.0
height = 9.0
conductor = 12.0
reverberation_time = [0.8, 0.78, 0.75, 0.7, 0.65, 0.6, 0.5]
"""

Seat = tuple[float, float]


def stage(folder: Path, music: Music, *, lines: Mapping[str, str] | None = None) -> ExactScorer:
    """Render the layers, write the cue and make what scores it.

    Parameters
    ----------
    folder : Path
    music : Music
        Some seconds.
    lines : mapping of str, optional
        More TOML for a layer's table, by the layer's name.

    Returns
    -------
    ExactScorer
        Its tables hold the start seats only; it convolves at any other seat.
    """
    text = HEAD
    for layer in music.layers:
        stem = play(layer, music, folder)
        soundfile.write(folder / f"{layer.name}.wav", stem.T, SAMPLE_RATE, subtype="PCM_24")
        text += (
            f'\n[[track]]\nname = "{layer.name}"\nfile = "{layer.name}.wav"\n'
            f'section = "{layer.section}"\nrole = "{layer.role}"\nlocks = ["seat", "delay"]\n'
            + (lines or {}).get(layer.name, "")
        )
    path = folder / "cue.toml"
    path.write_text(text, encoding="utf-8")
    surveyed = survey_cue(read_cue(path), Quiet())
    cue = surveyed.cue
    passages = tuple(read_passage(cue, track, surveyed.span) for track in cue.tracks)
    return ExactScorer(gather(cue, passages))


def placed(
    start: Placement, blend: Sequence[float], seat: Seat | None = None, *, pan: float | None = None
) -> Placement:
    """A placement with another blend, perhaps another seat; the close position follows its side."""
    where = start.seat if seat is None else seat
    if where is None:
        raise ValueError("a dry track has a seat")
    side = float(np.copysign(abs(start.pan), where[0])) if seat is not None else start.pan
    gains = tuple(float(gain) for gain in blend)
    return replace(start, seat=where, blend_db=gains, pan=side if pan is None else pan)


def heard(scorer: ExactScorer, scored: Scored) -> float:
    """Cost of what is heard of the layers: audibility, definition and overlap by their weights."""
    weights, terms = scorer.scene.weights, scored.cost.terms
    names = ("audibility", "definition", "overlap")
    return float(sum(getattr(weights, name) * terms[name] for name in names))


def low_band_db(scored: Scored, before: Scored) -> float:
    """Change of all energy from 25 to 250 Hz of the real mix, dB."""
    now, then = (one.sounding.mix_thirds for one in (scored, before))
    if now is None or then is None:
        raise ValueError("exact scores hold the real mix")
    return float(10.0 * np.log10(now[:2].sum() / then[:2].sum()))
