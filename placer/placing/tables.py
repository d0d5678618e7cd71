"""The tables of all tracks of a cue, from the disk cache where they have been built before.

*Conventions*: an entry depends on the analysed samples, the track's limits and start, and for a dry
track on room, arrays and grid; nothing else.

`build_table`: one track. `build_tables`: all, with a word of progress for each.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from placer.cue.records import Cue, Track
from placer.placement.cache import key, load, store
from placer.placing.dry import dry_table
from placer.placement.passages import Passage
from placer.placing.recorded import recorded_table
from placer.placing.table import RecordedGrams, SourceSound, TrackTable, Variant

ARRAYS = ("early", "late", "thirds", "loudness")
RECORDED_ARRAYS = ("whole", "blocks")
SOURCE_ARRAYS = ("envelope", "late_envelope", "power", "third_power")


def description(cue: Cue, track: Track, passage: Passage) -> dict[str, Any]:
    """Everything that a track's table depends on, as plain values."""
    samples = np.ascontiguousarray(passage.samples)
    facts: dict[str, Any] = {
        "samples": hashlib.blake2b(samples.tobytes(), digest_size=20).hexdigest(),
        "layout": dataclasses.asdict(passage.layout),
        "sample_rate": cue.sample_rate,
        "kind": track.kind,
        "start": dataclasses.asdict(track.start),
        "fixed": track.fixed,
        "locks": sorted(track.locks),
    }
    if track.kind == "dry":
        facts |= {
            "room": dataclasses.asdict(cue.room),
            "arrays": dataclasses.asdict(cue.arrays),
            "grid": cue.search.grid,
            "area": track.limits.area,
            "width": track.source_width,
            "family": track.family,
        }
    return facts


def build_table(cue: Cue, track: Track, passage: Passage) -> TrackTable:
    """Table of one track, from the cache where it is there.

    Parameters
    ----------
    cue : Cue
    track : Track
    passage : Passage

    Returns
    -------
    TrackTable
    """
    name = key(description(cue, track, passage))
    kept = load(name)
    if kept is not None:
        return _unpacked(passage, kept)
    if track.kind == "dry":
        table = dry_table(cue, track, passage.samples)
    else:
        table = recorded_table(track, passage.layout, passage.samples, cue.sample_rate)
    store(name, _packed(table))
    return table


def build_tables(
    cue: Cue, passages: Sequence[Passage], *, progress: Callable[[str], None]
) -> tuple[TrackTable, ...]:
    """Tables of all tracks, in order; `progress` is told each track's name when it is done."""
    tables = []
    for track, passage in zip(cue.tracks, passages, strict=True):
        tables.append(build_table(cue, track, passage))
        progress(track.name)
    return tuple(tables)


def _packed(table: TrackTable) -> dict[str, np.ndarray]:
    arrays = {name: getattr(table, name) for name in ARRAYS}
    arrays |= {f"source_{name}": getattr(table.source, name) for name in SOURCE_ARRAYS}
    if table.recorded is not None:
        arrays |= {name: getattr(table.recorded, name) for name in RECORDED_ARRAYS}
    arrays["source_k_power"] = np.array(table.source.k_power)
    arrays["variants"] = np.array(
        [(*(v.seat or (np.nan, np.nan)), v.aligned, v.close_delay) for v in table.variants]
    )
    return arrays


def _unpacked(passage: Passage, arrays: dict[str, np.ndarray]) -> TrackTable:
    source = SourceSound(
        **{name: arrays[f"source_{name}"] for name in SOURCE_ARRAYS},
        k_power=float(arrays["source_k_power"]),
    )
    variants = tuple(
        Variant(
            seat=None if np.isnan(x) else (float(x), float(y)),
            aligned=bool(aligned),
            close_delay=float(delay),
        )
        for x, y, aligned, delay in arrays["variants"]
    )
    return TrackTable(
        layout=passage.layout,
        source=source,
        variants=variants,
        early=arrays["early"],
        late=arrays["late"],
        thirds=arrays["thirds"],
        loudness=arrays["loudness"],
        recorded=RecordedGrams(**{name: arrays[name] for name in RECORDED_ARRAYS})
        if RECORDED_ARRAYS[0] in arrays
        else None,
    )
