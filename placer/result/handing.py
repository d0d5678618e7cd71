"""What an export needs besides the result: freshly placed stems and responses with their gain.

*Conventions*: responses (source channel, 2, tap) without any gain of a position; the gain of the
track is its make-up, against the dry stem.

`sources_of`: renders a mix's stems and knows its responses and those of the reference.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import replace

import numpy as np

from placer.cue.records import OFF_DB, Cue, Placement, Track
from placer.placement.layout import DRY_LAYOUT, stereo_matrix
from placer.placement.passages import file_channels
from placer.placement.positions import Seat, close_delay, folded, seat_responses, sources_at
from placer.progress import Screen
from placer.result.deliver import render
from placer.result.export import ExportSource
from placer.result.export.response_files import Microphones, TrackResponses
from placer.result.folder import RunFolder
from placer.result.reopen import Reopened
from placer.run.evaluator import with_shared
from sim.decibel import FloatArray
from sim.microphones import Microphone

SIDES = {-1: " left", 0: " centre", 1: " right"}
GAIN_DIGITS = 4
"""Of a make-up in dB, at most -105 dB off. The digits behind these depend on how many mixes are
rendered together; without them the reference is the same bytes in every export."""


def sources_of(run: Reopened, place: RunFolder, *, rank: int, screen: Screen) -> ExportSource:
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
    ExportSource
    """
    settings = {0: run.mixes[0], rank: run.mixes[rank]}
    rendered = render(run.cue, settings, place, screen, span=None, stems={rank})
    made = dict(zip(settings, rendered, strict=True))
    cues = {one: with_shared(run.cue, dict(setting.shared)) for one, setting in settings.items()}
    index = {track.name: number for number, track in enumerate(run.cue.tracks)}
    kept: dict[Hashable, tuple[dict[str, FloatArray], Microphones | None]] = {}

    def heard(name: str, rank: int) -> tuple[dict[str, FloatArray], Microphones | None]:
        cue, placement = cues[rank], settings[rank].placements[index[name]]
        place = (placement.seat, placement.pan, placement.width, placement.aligned)
        key = (name, place, settings[rank].shared)
        if key not in kept:
            track = cue.tracks[index[name]]
            channels = sum(file_channels(track))
            kept.clear()  # of one place only: these are large
            kept[key] = (
                position_responses(cue, track, placement, channels),
                microphone_responses(cue, track, placement, channels),
            )
        return kept[key]

    def responses(name: str, rank: int) -> TrackResponses:
        number = index[name]
        positions, microphones = heard(name, rank)
        blend = settings[rank].placements[number].blend_db
        return TrackResponses(
            positions=positions,
            faders_db={
                position: None if gain <= OFF_DB else gain
                for position, gain in zip(run.cue.tracks[number].positions, blend, strict=True)
            },
            gain_db=round(made[rank].tracks[number].make_up_db, GAIN_DIGITS),
            microphones=microphones,
        )

    return ExportSource(responses=responses, room=run.cue.room)


def position_responses(
    cue: Cue, track: Track, placement: Placement, channels: int
) -> dict[str, FloatArray]:
    """Stereo responses of a dry track's positions, each with its fader at 0 dB.

    Parameters
    ----------
    cue : Cue
    track : Track
        A dry one.
    placement : Placement
    channels : int
        Of its stem.

    Returns
    -------
    dict
        Position to (source channel, 2, tap): pan, width and alignment are in it.
    """
    simulated = seat_responses(cue, track, _seat(track, placement), channels)
    delay = close_delay(simulated) if placement.aligned else 0.0
    parts = [early + late for early, late in folded(simulated, round(delay * cue.sample_rate))]
    taps = max(part.shape[-1] for part in parts)
    heard = np.stack([np.pad(part, ((0, 0), (0, taps - part.shape[-1]))) for part in parts])
    found: dict[str, FloatArray] = {}
    for one, name in enumerate(track.positions):
        alone = tuple(0.0 if number == one else OFF_DB for number in range(len(track.positions)))
        found[name] = stereo_matrix(DRY_LAYOUT, replace(placement, blend_db=alone)) @ heard
    return found


def _seat(track: Track, placement: Placement) -> Seat:
    if placement.seat is None:
        raise ValueError(f"track {track.name} needs a seat to have responses")
    return placement.seat


def microphone_responses(
    cue: Cue, track: Track, placement: Placement, channels: int
) -> Microphones | None:
    """Every microphone by itself; None for a track without a seat.

    Parameters
    ----------
    cue : Cue
    track : Track
    placement : Placement
    channels : int
        Of the track's stem.
    """
    if placement.seat is None:
        return None
    microphones = (cue.arrays.close_at(placement.seat), *cue.arrays.shared())
    sources = sources_at(cue.room, track, placement.seat, channels)
    heard = seat_responses(cue, track, placement.seat, channels)
    whole = [one.early + one.late for one in heard]
    taps = max(one.shape[-1] for one in whole)
    return Microphones(
        responses=np.stack([np.pad(one, ((0, 0), (0, taps - one.shape[-1]))) for one in whole]),
        names=tuple(_name(one) for one in microphones),
        places=np.array([one.position for one in microphones]),
        aims=np.array([one.aim for one in microphones]),
        sources=np.array([one.position for one in sources]),
    )


def _name(microphone: Microphone) -> str:
    """A microphone as an engineer calls it."""
    return microphone.group + ("" if microphone.group == "close" else SIDES[microphone.side])
