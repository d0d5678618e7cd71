"""What `result.json` says, from scored candidates and their renders.

*Conventions*: plain values, rounded (`folder.finite`), tracks in cue order. The schema is described
in DEVELOPERS.md.

`Delivered`: one mix as it is handed over. `mix_record`: the same as plain values. `result_record`:
the whole result.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from placer.audio.pairs import files_of
from placer.cost.objective import Cost
from placer.cue.records import Cue, Track
from placer.result.folder import SCHEMA, finite
from placer.result.meters import THIRDS, FileFigures
from placer.result.mixing import MixSetting
from placer.result.path import HIDING_SHARE
from placer.result.render import RenderedMix
from placer.result.words import mix_words, move_words
from placer.run.cue_scene import foreground_of
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


def _numbers(values: Sequence[float] | FloatArray, digits: int = 4) -> list[float]:
    return [finite(float(value), digits) for value in values]


def mix_record(
    cue: Cue, delivered: Delivered, reference: Delivered, *, file: str
) -> dict[str, Any]:
    """One mix as plain values.

    Parameters
    ----------
    cue : Cue
    delivered, reference : Delivered
    file : str
        Name of its audio file.

    Returns
    -------
    dict
    """
    cost, rendered = delivered.cost, delivered.rendered
    return {
        "rank": delivered.rank,
        "file": file,
        "cost": finite(cost.total),
        "terms": {name: finite(value) for name, value in cost.terms.items()},
        "feasible": bool(cost.feasible),
        "violations": {name: finite(v) for name, v in cost.worst.items() if v > 0.0},
        "figures": _figures(delivered, reference),
        "lufs": finite(rendered.lufs, 3),
        "true_peak_dbtp": finite(rendered.true_peak_dbtp, 3),
        "gain_db": finite(rendered.gain_db, 3),
        "missed_lu": finite(rendered.missed_lu, 3),
        "shared": dict(delivered.setting.shared),
        "tracks": _track_records(cue, delivered, reference),
        "maskers": [_numbers(row) for row in cost.heard.hides],
    }


def _figures(delivered: Delivered, reference: Delivered) -> dict[str, Any]:
    """The whole file against the reference's; late energy of the analysed passage."""
    now, then = delivered.measured, reference.measured
    level = delivered.rendered.gain_db - reference.rendered.gain_db
    low = now.thirds_db[:11] - then.thirds_db[:11] - level
    room = delivered.cost.figures["late_change_by_range_db"]
    weight_db = energy_db(energy(now.thirds_db[:11]).sum() / energy(then.thirds_db[:11]).sum())
    return {
        "low_thirds_db": _numbers(low),
        "low_weight_db": finite(float(weight_db) - level, 4),
        "left_right_db": finite(now.lean_db, 4),
        "left_right_low_db": finite(now.low_lean_db, 4),
        "mono_loss_db": finite(then.mono_gain_db - now.mono_gain_db, 4),
        "late_db": finite(delivered.cost.figures["whole_late_change_db"], 4),
        "late_mid_db": finite(float(room[1]), 4),
        "late_high_db": finite(float(room[2]), 4),
        "thirds_db": _numbers(now.thirds_db, 2),
    }


def _track_records(cue: Cue, delivered: Delivered, reference: Delivered) -> list[dict[str, Any]]:
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
        }
        facts["free"] = list(track.free)
        records.append(placement_values(track, setting.placements[index]) | facts)
    return records


def result_record(
    cue: Cue, head: Mapping[str, Any], mixes: Sequence[dict[str, Any]], search: Mapping[str, Any]
) -> dict[str, Any]:
    """The whole result.

    Parameters
    ----------
    cue : Cue
    head : mapping
        "hash", "seconds", "excerpt", "notes" and "warnings".
    mixes : sequence of dict
        From `mix_record`, the reference first.
    search : mapping
        What the search did.

    Returns
    -------
    dict
        With words for every mix and track.
    """
    return with_words(
        {
            "schema": SCHEMA,
            "cue": {"name": cue.name, "path": str(cue.path.resolve()), "hash": head["hash"]},
            "sample_rate": cue.sample_rate,
            "seconds": finite(head["seconds"], 3),
            "excerpt": list(head["excerpt"]),
            "seed": cue.search.seed,
            "room": dataclasses.asdict(cue.room),
            "arrays": dataclasses.asdict(cue.arrays),
            "loudness": {
                "target_lufs": cue.loudness.target_lufs,
                "ceiling_dbtp": cue.loudness.ceiling_dbtp,
            },
            "weights": dataclasses.asdict(cue.weights),
            "tracks": [
                _track_head(track, foreground=bool(foreground))
                for track, foreground in zip(cue.tracks, foreground_of(cue), strict=True)
            ],
            "bands": _numbers(ERB_CENTRES, 1),
            "thirds": _numbers(THIRDS, 2),
            "limits": {
                name: getattr(cue.search, name) for name in ("low_db", "side_db", "room_side_db")
            },
            "reference": mixes[0],
            "mixes": list(mixes[1:]),
            "search": dict(search),
            "notes": list(head["notes"]),
            "warnings": list(head["warnings"]),
        }
    )


def _track_head(track: Track, *, foreground: bool) -> dict[str, Any]:
    return {
        "name": track.name,
        "kind": track.kind,
        "section": track.section,
        "role": track.role,
        "positions": list(track.positions),
        "priority": track.priority,
        "fixed": track.fixed,
        "group": track.group,
        "bus": track.bus,
        "foreground": foreground,
        "files": [str(path) for source in track.files for path in files_of(source)],
        "area": list(track.limits.area) if track.kind == "dry" else None,
    }


def with_words(result: dict[str, Any]) -> dict[str, Any]:
    """Add to every mix, and to every track of it, what a person reads."""
    reference = result["reference"]
    for mix in (reference, *result["mixes"]):
        for before, after in zip(reference["tracks"], mix["tracks"], strict=True):
            after["words"] = move_words(before, after)
    for mix in (reference, *result["mixes"]):
        mix["words"] = mix_words(result, mix)
    return result
