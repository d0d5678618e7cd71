"""What `result.json` says, from scored candidates and their renders.

*Conventions*: numbers rounded (`folder.finite`), tracks in cue order, records of `model`.

`Delivered`: one mix as it is handed over. `mix_record`: what the result says of it.
`result_record`: the whole result.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from msgspec import convert
from msgspec.structs import replace

from placer.audio.pairs import files_of
from placer.cost.objective import Cost
from placer.cue.records import Cue, Placement, Track
from placer.result.folder import finite
from placer.result.meters import THIRDS, FileFigures
from placer.result.mixing import MixSetting
from placer.result.model import (
    AnsweredMove,
    Mix,
    MixFigures,
    OwnMix,
    PathStep,
    PlacedTrack,
    Result,
    ResultCue,
    ResultLimits,
    ResultLoudness,
    ResultSearch,
    ResultTrack,
    RungName,
    TrackKind,
)
from placer.result.path_words import HIDING_SHARE
from placer.result.render import RenderedMix
from placer.result.words import mix_words, move_words
from placer.run.cue_scene import foreground_of
from placer.run.kept_moves import Answers
from placer.run.plain import placement_values
from sim.bands import ERB_CENTRES
from sim.decibel import FloatArray, energy, energy_db


@dataclass(frozen=True, slots=True)
class Delivered:
    """One mix as it is handed over.

    Attributes
    ----------
    rank : 0 for the reference
    cost : with everything that is known of it
    setting : how it is made
    rendered : what the renderer did
    measured : what the file measures from end to end
    """

    rank: int
    cost: Cost
    setting: MixSetting
    rendered: RenderedMix
    measured: FileFigures


def _numbers(values: Sequence[float] | FloatArray, digits: int = 4) -> tuple[float, ...]:
    return tuple(finite(float(value), digits) for value in values)


def mix_record(
    cue: Cue,
    delivered: Delivered,
    reference: Delivered,
    *,
    file: str,
    rung: str | None = None,
    nested: bool | None = None,
    microphones: PathStep | None = None,
    path: tuple[PathStep, ...] | None = None,
) -> Mix:
    """What the result says of one mix, still without words.

    Parameters
    ----------
    cue : Cue
    delivered, reference : Delivered
    file : str
        Name of its audio file.
    rung, nested, microphones, path
        How it was found; None of the reference. Microphones where its arrays are its own.

    Returns
    -------
    Mix
    """
    cost, rendered = delivered.cost, delivered.rendered
    return Mix(
        rank=delivered.rank,
        file=file,
        cost=finite(cost.total),
        terms={name: finite(value) for name, value in cost.terms.items()},
        feasible=bool(cost.feasible),
        violations={name: finite(v) for name, v in cost.worst.items() if v > 0.0},
        figures=_figures(delivered, reference),
        lufs=finite(rendered.lufs, 3),
        true_peak_dbtp=finite(rendered.true_peak_dbtp, 3),
        gain_db=finite(rendered.gain_db, 3),
        missed_lu=finite(rendered.missed_lu, 3),
        shared=dict(delivered.setting.shared),
        tracks=_track_records(cue, delivered, reference),
        maskers=tuple(_numbers(row) for row in cost.heard.hides),
        rung=convert(rung, RungName | None),
        nested=nested,
        microphones=microphones,
        path=path,
        words="",
    )


def _figures(delivered: Delivered, reference: Delivered) -> MixFigures:
    """The whole file against the reference's; late energy of the analysed passage."""
    now, then = delivered.measured, reference.measured
    level = delivered.rendered.gain_db - reference.rendered.gain_db
    low = now.thirds_db[:11] - then.thirds_db[:11] - level
    room = delivered.cost.figures["late_change_by_range_db"]
    weight_db = energy_db(energy(now.thirds_db[:11]).sum() / energy(then.thirds_db[:11]).sum())
    return MixFigures(
        low_thirds_db=_numbers(low),
        low_weight_db=finite(float(weight_db) - level, 4),
        left_right_db=finite(now.lean_db, 4),
        left_right_low_db=finite(now.low_lean_db, 4),
        mono_loss_db=finite(then.mono_gain_db - now.mono_gain_db, 4),
        late_db=finite(delivered.cost.figures["whole_late_change_db"], 4),
        late_mid_db=finite(float(room[1]), 4),
        late_high_db=finite(float(room[2]), 4),
        thirds_db=_numbers(now.thirds_db, 2),
    )


def _track_records(cue: Cue, delivered: Delivered, reference: Delivered) -> tuple[PlacedTrack, ...]:
    cost, setting = delivered.cost, delivered.setting
    names = [track.name for track in cue.tracks]
    records = []
    for index, track in enumerate(cue.tracks):
        others = cost.heard.hides[index].copy()
        others[index] = 0.0
        order = np.argsort(-others, kind="stable")
        make_up = delivered.rendered.tracks[index].make_up_db
        facts = {
            "close_delay_ms": finite(1e3 * setting.close_delays[index], 3),
            "make_up_db": finite(make_up - reference.rendered.tracks[index].make_up_db, 3),
            "lateral_deg": finite(cost.figures["lateral_deg"][index], 2),
            "drr_db": finite(cost.figures["drr_db"][index], 2),
            "c80_db": finite(cost.figures["early_late_db"][index], 2),
            "audibility": finite(cost.figures["audible_share"][index], 4),
            "margin_db": finite(cost.figures["margin_db"][index], 2),
            "layer_low_db": finite(cost.figures["layer_low_db"][index], 2),
            "side_db": finite(cost.figures["side_db"][index], 2),
            "room_side_db": finite(cost.figures["room_side_db"][index], 2),
            "hidden_by": [names[i] for i in order[:3] if others[i] >= HIDING_SHARE],
            "terms": {name: finite(values[index]) for name, values in cost.per_track.items()},
            "free": track.free,
        }
        placed = placement_values(track, setting.placements[index])
        records.append(convert(placed | facts, PlacedTrack))
    return tuple(records)


def result_record(
    cue: Cue,
    head: Mapping[str, Any],
    mixes: Sequence[Mix],
    search: Mapping[str, Any],
    own: OwnMix | None,
    answers: Answers,
) -> Result:
    """The whole result.

    Parameters
    ----------
    cue : Cue
    head : mapping
        "hash", "seconds", "excerpt" and "notes".
    mixes : sequence of Mix
        From `mix_record`, the reference first.
    search : mapping
        What the search did.
    own : OwnMix or None
        The composer's own mix.
    answers : Answers
        That the search went on from.

    Returns
    -------
    Result
        With words for every mix and track, without warnings.
    """
    start, stop = head["excerpt"]
    return with_words(
        Result(
            cue=ResultCue(name=cue.name, path=str(cue.path.resolve()), hash=head["hash"]),
            sample_rate=cue.sample_rate,
            seconds=finite(head["seconds"], 3),
            excerpt=(start, stop),
            seed=cue.search.seed,
            room=cue.room,
            arrays=cue.arrays,
            loudness=convert(cue.loudness, ResultLoudness, from_attributes=True),
            weights=dataclasses.asdict(cue.weights),
            tracks=tuple(
                _track_head(track, foreground=bool(foreground))
                for track, foreground in zip(cue.tracks, foreground_of(cue), strict=True)
            ),
            bands=_numbers(ERB_CENTRES, 1),
            thirds=_numbers(THIRDS, 2),
            limits=convert(cue.search, ResultLimits, from_attributes=True),
            reference=mixes[0],
            mixes=tuple(mixes[1:]),
            search=convert(search, ResultSearch),
            notes=tuple(head["notes"]),
            warnings=(),
            compare=own,
            kept=tuple(_answered(cue, name, one) for name, one in answers.kept.items()),
            refused=tuple(
                _answered(cue, name, one) for name, some in answers.refused.items() for one in some
            ),
        )
    )


def _answered(cue: Cue, name: str, placement: Placement) -> AnsweredMove:
    track = next(one for one in cue.tracks if one.name == name)
    return convert(placement_values(track, placement), AnsweredMove)


def _track_head(track: Track, *, foreground: bool) -> ResultTrack:
    return ResultTrack(
        name=track.name,
        kind=convert(track.kind, TrackKind),
        section=track.section,
        role=track.role,
        positions=track.positions,
        priority=track.priority,
        fixed=track.fixed,
        group=track.group,
        bus=track.bus,
        foreground=foreground,
        files=tuple(str(path) for source in track.files for path in files_of(source)),
        area=track.limits.area if track.kind == "dry" else None,
    )


def with_words(result: Result) -> Result:
    """The same with what a person reads in every mix, and in every track of it."""
    reference = result.reference.tracks
    told = [
        replace(
            mix,
            tracks=tuple(
                replace(after, words=move_words(before, after))
                for before, after in zip(reference, mix.tracks, strict=True)
            ),
            words=mix_words(result, mix),
        )
        for mix in result.all_mixes
    ]
    return replace(result, reference=told[0], mixes=tuple(told[1:]))
