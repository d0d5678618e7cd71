"""What an export needs besides the result: freshly placed stems and responses with their gain.

*Conventions*: responses (source channel, 2, tap), with make-up and the gain of the mix, so that a
dry stem through its response is its placed stem.

`sources_of`: renders a mix's stems and knows its responses.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from placer.progress import Screen
from placer.result.deliver import render
from placer.result.export import Source
from placer.result.folder import RunFolder
from placer.trial.filters import placement_filter
from placer.trial.judge import Judge
from placer.trial.material import with_shared
from placer.trial.outer import Candidate
from sim.decibel import FloatArray, amplitude


def sources_of(
    judge: Judge, candidate: Candidate, run: RunFolder, *, rank: int, screen: Screen
) -> Source:
    """Render the placed stems of a mix into its run folder.

    Parameters
    ----------
    judge : Judge
    candidate : Candidate
    run : RunFolder
    rank : int
    screen : Screen

    Returns
    -------
    Source
    """
    tracks = judge.material.cue.tracks
    mix = render(judge, [(rank, candidate)], run, screen, stems={rank})[1]
    cue = with_shared(judge.material.cue, dict(candidate.shared))
    material = replace(judge.material, cue=cue)
    index = {track.name: number for number, track in enumerate(tracks)}

    def responses(name: str) -> FloatArray:
        number = index[name]
        made = placement_filter(material, number, candidate.placements[number])
        gain_db = mix.gain_db + mix.tracks[number].make_up_db
        return np.asarray(made * np.float32(amplitude(gain_db)))

    return Source(responses=responses)
