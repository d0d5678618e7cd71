"""From placements to the list of what the renderer mixes.

*Conventions*: tracks in cue order; loudness is of whole stems, not of the passage.

`reference_plan`: the reference mix. `mix_plan`: any other, its tracks as loud as the reference's.
`mix_frames`, `tail_seconds`: how long every mix of a cue is, and by how much it outlasts the stems.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from placer.cue.records import Cue, Placement
from placer.placing.passages import seconds_of
from placer.result.place import TrackRender
from placer.trial.filters import placement_filter
from placer.trial.material import Material
from sim.responses import longest_response


def tail_seconds(cue: Cue) -> float:
    """How long the room goes on behind the last stem, s.

    As long as the longest response that the room can give, wherever a seat or a microphone stands:
    so all mixes of a cue are equally long. Nothing is added to recorded tracks but silence.
    """
    if all(track.kind != "dry" for track in cue.tracks):
        return 0.0
    return longest_response(cue.room)


def mix_frames(cue: Cue) -> int:
    """Frames of every mix of a cue: from the longest stem to the end of its sound in the room."""
    return math.ceil((seconds_of(cue) + tail_seconds(cue)) * cue.sample_rate - 1e-6)


def reference_plan(material: Material) -> list[TrackRender]:
    """The reference mix: dry tracks at the loudness of their stems, recorded ones as they are."""
    starts = [track.start for track in material.cue.tracks]
    return [
        replace(render, loud_as="stem" if render.track.kind == "dry" else "own", trim_db=0.0)
        for render in mix_plan(material, starts)
    ]


def mix_plan(material: Material, placements: Sequence[Placement]) -> list[TrackRender]:
    """A mix whose tracks are set back to the loudness they have in the first mix, the reference.

    Parameters
    ----------
    material : Material
        With the arrays in use.
    placements : sequence of Placement

    Returns
    -------
    list of TrackRender
        Tracks placed alike have equal keys, whatever their trim.
    """
    return [
        TrackRender(
            track=track,
            responses=partial(placement_filter, material, index, placement),
            loud_as="first",
            trim_db=placement.trim_db,
            key=(replace(placement, trim_db=0.0), repr(material.cue.arrays)),
        )
        for index, (track, placement) in enumerate(
            zip(material.cue.tracks, placements, strict=True)
        )
    ]
