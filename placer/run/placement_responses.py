"""A placement as one stereo impulse response for each channel of a track's files.

*Conventions*: responses (input channel, 2, tap) float32; convolving each file channel with its
response and adding gives the placed track before its make-up gain.

`placement_filter`: the responses.

Sources
-------
See `sim.responses`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from placer.cue.records import Cue, Placement, Track
from placer.placement.layout import stereo_matrix
from placer.placement.passages import track_layout
from placer.placement.positions import close_delay as simulated_delay
from placer.placement.positions import folded, seat_responses
from sim.decibel import FloatArray


def placement_filter(
    cue: Cue, track: Track, placement: Placement, *, channels: Sequence[int], close_delay: float
) -> FloatArray:
    """Stereo response of each file channel of a placed track.

    Parameters
    ----------
    cue : Cue
        With the arrays in use.
    channels : sequence of int
        Of each of the track's files.
    close_delay : float
        s by which the close position of a recorded track is delayed where it is aligned; a dry
        track's follows from its seat.

    Returns
    -------
    (input channel, 2, tap) float32 FloatArray
        One tap, or as many as the close delay needs, for a recorded track.

    Raises
    ------
    ValueError
        A dry track without a seat.
    """
    layout = track_layout(track, tuple(channels))
    matrix = stereo_matrix(layout, placement)
    if track.kind == "dry":
        if placement.seat is None:
            raise ValueError(f"track {track.name} needs a seat to have responses")
        simulated = seat_responses(cue, track, placement.seat, sum(channels))
        delay = simulated_delay(simulated) if placement.aligned else 0.0
        parts = folded(simulated, round(delay * cue.sample_rate))
        sides = [matrix @ (early + late) for early, late in parts]
        taps = max(side.shape[1] for side in sides)
        padded = [np.pad(side, ((0, 0), (0, taps - side.shape[1]))) for side in sides]
        return np.stack(padded).astype(np.float32)
    lag = round(close_delay * cue.sample_rate) if placement.aligned else 0
    responses = np.zeros((layout.count, 2, lag + 1), dtype=np.float32)
    responses[:, :, 0] = matrix.T
    close = layout.channels[0]
    responses[:close, :, 0] = 0.0
    responses[:close, :, lag] = matrix.T[:close]
    return responses
