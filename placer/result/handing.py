"""What an export needs besides the result: freshly placed stems and responses with their gain.

*Conventions*: responses (source channel, 2, tap), with make-up and the gain of the mix, so that a
dry stem through its response is its placed stem.

`sources_of`: renders a mix's stems and knows its responses.
"""

from __future__ import annotations

import numpy as np

from placer.placing.passages import file_channels
from placer.progress import Screen
from placer.result.deliver import render
from placer.result.export import Source
from placer.result.folder import RunFolder
from placer.result.reopen import Reopened
from placer.trial.filters import placement_filter
from placer.trial.material import with_shared
from sim.decibel import FloatArray, amplitude


def sources_of(run: Reopened, place: RunFolder, *, rank: int, screen: Screen) -> Source:
    """Render the placed stems of a mix.

    Parameters
    ----------
    run : Reopened
    place : RunFolder
        Where they go.
    rank : int
    screen : Screen

    Returns
    -------
    Source
    """
    setting = run.mixes[rank]
    wanted = {0: run.mixes[0], rank: setting}
    mix = render(run.cue, wanted, place, screen, stems={rank})[1]
    cue = with_shared(run.cue, dict(setting.shared))
    index = {track.name: number for number, track in enumerate(cue.tracks)}

    def responses(name: str) -> FloatArray:
        number = index[name]
        track = cue.tracks[number]
        made = placement_filter(
            cue, track, setting.placements[number],
            channels=file_channels(track), close_delay=setting.close_delays[number],
        )  # fmt: skip
        gain_db = mix.gain_db + mix.tracks[number].make_up_db
        return np.asarray(made * np.float32(amplitude(gain_db)))

    return Source(responses=responses)
