"""A placement as one stereo impulse response for each channel of a track's files.

*Conventions*: responses (input channel, 2, tap) float32; convolving each file channel with its
response and adding gives the placed track before its make-up gain.

`placement_filter`: the responses.

Sources
-------
See `sim.responses`.
"""

from __future__ import annotations

import numpy as np

from placer.cue.records import Placement
from placer.placing.exact import channel_responses
from placer.placement.layout import stereo_matrix
from placer.trial.material import Material
from sim.decibel import FloatArray


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
