"""A few sampled layers in a small room, placed and judged as a search judges them.

*Conventions*: blends are close, tree, outriggers, hall in dB. Low notes of few layers meet one
another and the room by single frequencies, so ways of placing are compared over several seats.

`stage`: from layers to an evaluator. `judged`: the cost of placements. `placed`: a placement by
blend and seat. `heard`: the part of the cost that is about hearing the layers. `low_band_db`:
weight of the lows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile

from placer.cost.objective import Cost
from placer.cue.read import read_cue
from placer.cue.records import Placement
from placer.progress import Quiet
from placer.run.evaluator import Evaluator
from placer.run.ready import make_ready, survey_cue
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


def stage(folder: Path, music: Music, *, lines: Mapping[str, str] | None = None) -> Evaluator:
    """Render the layers, write the cue and make what judges it.

    Parameters
    ----------
    folder : Path
    music : Music
        Some seconds.
    lines : mapping of str, optional
        More TOML for a layer's table, by the layer's name.

    Returns
    -------
    Evaluator
        It measures at any seat that it is asked about.
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
    return make_ready(survey_cue(read_cue(path), Quiet()), Quiet())


def judged(evaluator: Evaluator, placements: Sequence[Placement]) -> Cost:
    """Cost of placements with everything that is known of it."""
    return evaluator.breakdown(evaluator.own, placements)


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


def heard(evaluator: Evaluator, cost: Cost) -> float:
    """Cost of what is heard of the layers: audibility, definition and overlap by their weights."""
    weights = evaluator.scene.weights
    names = ("audibility", "definition", "overlap")
    return float(sum(getattr(weights, name) * cost.terms[name] for name in names))


def low_band_db(evaluator: Evaluator, placements: Sequence[Placement]) -> float:
    """Change of all energy from 25 to 250 Hz against the reference, layers summed as energies.

    In dB.
    """
    now, then = (
        sum(
            float(evaluator.own.heard(index, [one]).thirds[0, :2].sum())
            for index, one in enumerate(mix)
        )
        for mix in (placements, evaluator.starts)
    )
    return float(10.0 * np.log10(now / then))
