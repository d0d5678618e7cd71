"""From placements to the list of what the renderer mixes.

*Conventions*: tracks in cue order; loudness targets are of whole stems, not of the passage.

`mix_plan`: one mix. `reference_targets`: what every track of every mix is set back to.
"""

from __future__ import annotations

from collections.abc import Sequence

from placer.audio.files import open_blocks
from placer.audio.loudness import Meter
from placer.cue.records import Cue, Placement, Track
from placer.result.render import RenderedMix, TrackRender
from placer.trial.filters import placement_filter
from placer.trial.material import Material
from sim.decibel import FLOOR_DB


def stem_loudness(cue: Cue, track: Track) -> float | None:
    """Integrated loudness of a whole dry stem in LUFS, None where it is below every gate."""
    with open_blocks(track.files[0], cue.sample_rate) as file:
        meter = Meter(file.channels, cue.sample_rate, peaks=False)
        for block in file:
            meter.push(block)
    return None if meter.loudness <= FLOOR_DB else meter.loudness


def reference_plan(material: Material) -> list[TrackRender]:
    """The reference mix: dry tracks at the loudness of their stems, recorded ones as they are."""
    cue = material.cue
    return [
        TrackRender(
            track=track,
            responses=placement_filter(material, index, track.start),
            target_lufs=stem_loudness(cue, track) if track.kind == "dry" else None,
        )
        for index, track in enumerate(cue.tracks)
    ]


def mix_plan(
    material: Material, placements: Sequence[Placement], reference: RenderedMix
) -> list[TrackRender]:
    """A mix whose tracks are set back to the loudness they have in the rendered reference."""
    plan = []
    for index, (track, placement) in enumerate(zip(material.cue.tracks, placements, strict=True)):
        then = reference.tracks[index]
        target = None if then.loudness <= FLOOR_DB else then.loudness + then.make_up_db
        plan.append(
            TrackRender(
                track=track,
                responses=placement_filter(material, index, placement),
                target_lufs=None if target is None else target + placement.trim_db,
            )
        )
    return plan
