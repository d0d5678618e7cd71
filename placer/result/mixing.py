"""From placements to the list of what the renderer mixes.

*Conventions*: tracks in cue order; loudness is of whole stems, not of the passage.

`reference_plan`: the reference mix. `mix_plan`: any other, its tracks as loud as the reference's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from placer.cue.records import Placement
from placer.result.place import TrackRender
from placer.trial.filters import placement_filter
from placer.trial.material import Material


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
