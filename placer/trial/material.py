"""What a search works on: the cue, its analysed passage and the tables, made once.

*Conventions*: tracks in cue order everywhere.

`Material`: all of it. `gather`: from a cue to its material. `with_arrays`: the same cue heard by
other microphone arrays.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from placer.cue.records import Cue
from placer.placement.passages import Passage
from placer.placing.table import TrackTable
from placer.placing.tables import build_table, build_tables

SHARED = {
    "close_distance": ("close", "distance"),
    "tree_height": ("tree", "height"),
    "tree_spacing": ("tree", "spacing"),
    "outrigger_spacing": ("outriggers", "spacing"),
    "hall_distance": ("hall", "y"),
}
"""Shared numbers that the outer loop may choose, and where they live in the arrays."""


@dataclass(frozen=True, slots=True)
class Material:
    """Everything that is fixed while placements are searched.

    Attributes
    ----------
    cue : with the arrays that are in use
    passages : one a track
    tables : one a track
    shared : the shared numbers in use
    """

    cue: Cue
    passages: tuple[Passage, ...]
    tables: tuple[TrackTable, ...]
    shared: tuple[tuple[str, float], ...] = ()

    @property
    def audible(self) -> np.ndarray:
        """Whether each track says anything in the passage; (track,) bool."""
        return np.array([not passage.silent for passage in self.passages])


def gather(
    cue: Cue, passages: tuple[Passage, ...], *, progress: Callable[[str], None] = lambda _: None
) -> Material:
    """Build the tables of a cue's passage."""
    return Material(cue, passages, build_tables(cue, passages, progress=progress))


def shared_space(cue: Cue) -> dict[str, list[float]]:
    """Values that the outer loop may choose from; empty where nothing dry is heard by arrays."""
    if not any(track.kind == "dry" for track in cue.tracks):
        return {}
    chosen = {name: list(getattr(cue.search, name)) for name in SHARED}
    return {name: values for name, values in chosen.items() if values}


def with_arrays(
    material: Material,
    shared: Mapping[str, Any],
    *,
    progress: Callable[[str], None] = lambda _: None,
) -> Material:
    """The same cue with shared numbers put into its arrays.

    Parameters
    ----------
    material : Material
    shared : mapping
        Names of `SHARED` to values in m; `hall_distance` is counted from the conductor towards
        the hall.
    progress : callable

    Returns
    -------
    Material
        With tables for the new arrays; `material` itself where nothing changes.
    """
    if not shared:
        return material
    cue = with_shared(material.cue, shared)
    if cue.arrays == material.cue.arrays:
        return dataclasses.replace(material, shared=tuple(shared.items()))
    tables = []
    for track, passage, table in zip(cue.tracks, material.passages, material.tables, strict=True):
        # a recorded track is heard by its own microphones
        tables.append(build_table(cue, track, passage) if track.kind == "dry" else table)
        progress(track.name)
    return Material(cue, material.passages, tuple(tables), tuple(shared.items()))


def with_shared(cue: Cue, shared: Mapping[str, Any]) -> Cue:
    """A cue with shared numbers put into its arrays; see `with_arrays`."""
    arrays = cue.arrays
    for name, value in shared.items():
        group, attribute = SHARED[name]
        number = -float(value) if name == "hall_distance" else float(value)
        changed = dataclasses.replace(getattr(arrays, group), **{attribute: number})
        arrays = dataclasses.replace(arrays, **{group: changed})
    return dataclasses.replace(cue, arrays=arrays)
