"""A placement as one stereo impulse response for each channel of a track's files.

*Conventions*: responses (input channel, 2, tap) float32; convolving each file channel with its
response and adding gives the placed track before its make-up gain.

`placement_filter`: the responses. `direct_ratio_db`: how much of them is direct sound.

Sources
-------
See `sim.responses`; direct-to-reverberant ratio: `sim.parameters`.
"""

from __future__ import annotations

import numpy as np

from placer.cue.records import Placement
from placer.placing.exact import channel_responses
from placer.placing.layout import stereo_matrix
from placer.trial.material import Material
from sim.decibel import FloatArray
from sim.parameters import direct_to_reverberant_db


def placement_filter(material: Material, index: int, placement: Placement) -> FloatArray:
    """Stereo response of each file channel of a placed track.

    Parameters
    ----------
    material : Material
    index : int
        Of the track.
    placement : Placement

    Returns
    -------
    (input channel, 2, tap) float32 FloatArray
        One tap, or as many as the close delay needs, for a recorded track.
    """
    track, passage = material.cue.tracks[index], material.passages[index]
    matrix = stereo_matrix(passage.layout, placement)
    if track.kind == "dry":
        parts = channel_responses(material.cue, track, placement, passage.samples.shape[0])
        sides = [matrix @ (early + late) for early, late in parts]
        taps = max(side.shape[1] for side in sides)
        padded = [np.pad(side, ((0, 0), (0, taps - side.shape[1]))) for side in sides]
        return np.stack(padded).astype(np.float32)
    table = material.tables[index]
    delay = table.variants[int(table.find((placement,))[0])].close_delay
    lag = round(delay * material.cue.sample_rate) if placement.aligned else 0
    responses = np.zeros((passage.layout.count, 2, lag + 1), dtype=np.float32)
    responses[:, :, 0] = matrix.T
    close = passage.layout.channels[0]
    responses[:close, :, 0] = 0.0
    responses[:close, :, lag] = matrix.T[:close]
    return responses


def direct_ratio_db(
    material: Material, index: int, placement: Placement, *, early_late_db: float
) -> float:
    """Direct-to-reverberant ratio of a placed track in dB.

    Parameters
    ----------
    material : Material
    index : int
        Of the track.
    placement : Placement
    early_late_db : float
        Stands in for a recorded track, whose direct sound cannot be told from its early sound.

    Returns
    -------
    float
        Of the louder side's response.
    """
    if material.cue.tracks[index].kind != "dry":
        return early_late_db
    sides = placement_filter(material, index, placement).sum(axis=0)
    louder = sides[int(np.argmax(np.sum(np.square(sides), axis=-1)))]
    return float(direct_to_reverberant_db(louder[None], material.cue.sample_rate)[0])
