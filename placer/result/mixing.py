"""From placements to the list of what the renderer mixes.

*Conventions*: tracks in cue order; loudness is of whole stems, not of the passage.

`MixSetting`: what a mix is made by; `setting_of`: a candidate's.
`reference_plan`: the reference mix. `mix_plan`: any other, its tracks as loud as the reference's.
`mix_frames`, `tail_seconds`: how long every mix of a cue is, and by how much it outlasts the stems.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

from placer.cue.records import Cue, Placement
from placer.placement.options import place_of
from placer.placement.passages import file_channels, seconds_of
from placer.result.place import TrackRender
from placer.run.evaluator import Arrangement, with_shared
from placer.run.placement_responses import placement_filter
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


@dataclass(frozen=True, slots=True)
class MixSetting:
    """All that a mix of a cue is made by.

    Attributes
    ----------
    placements : one a track
    close_delays : one a track: s by which a recorded track's close position is delayed, if aligned
    shared : shared numbers of the simulated arrays, m
    """

    placements: tuple[Placement, ...]
    close_delays: tuple[float, ...]
    shared: tuple[tuple[str, float], ...] = ()


def setting_of(
    arranged: Arrangement,
    placements: Sequence[Placement],
    shared: tuple[tuple[str, float], ...] = (),
) -> MixSetting:
    """The setting of a candidate of a search, with the delays that were measured."""
    return MixSetting(
        placements=tuple(placements),
        close_delays=tuple(
            arranged.measured(index, place_of(placement)).close_delay
            for index, placement in enumerate(placements)
        ),
        shared=shared,
    )


def reference_plan(cue: Cue, setting: MixSetting) -> list[TrackRender]:
    """The reference mix: dry tracks at the loudness of their stems, recorded ones as they are."""
    return [
        replace(render, loud_as="stem" if render.track.kind == "dry" else "own", trim_db=0.0)
        for render in mix_plan(cue, setting)
    ]


def mix_plan(cue: Cue, setting: MixSetting) -> list[TrackRender]:
    """A mix whose tracks are set back to the loudness they have in the first mix, the reference.

    Parameters
    ----------
    cue : Cue
        With its own arrays.
    setting : MixSetting

    Returns
    -------
    list of TrackRender
        Tracks placed alike have equal keys, whatever their trim.

    Raises
    ------
    AudioError
        The header of a stem cannot be read.
    """
    arranged = with_shared(cue, dict(setting.shared))
    return [
        TrackRender(
            track=track,
            responses=partial(
                placement_filter, arranged, track, placement,
                channels=file_channels(track), close_delay=delay,
            ),
            loud_as="first",
            trim_db=placement.trim_db,
            key=(replace(placement, trim_db=0.0), delay, repr(arranged.arrays)),
        )
        for track, placement, delay in zip(
            cue.tracks, setting.placements, setting.close_delays, strict=True
        )
    ]  # fmt: skip
