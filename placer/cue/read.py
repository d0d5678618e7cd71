"""How a cue file becomes a `Cue`.

The TOML file mirrors the records; defaults live in the records. Every value is checked here, once,
and the first mistake ends the reading with one line that says file, key, value, what is allowed
and what to try.

*Conventions*: as the records: metres, seconds, Hz, decibels.

`read_cue` is the only function others need. `[room]`, `[microphones]`, `[seating]` and `[weights]`
may name a file (beside the cue file or among the shipped configs); keys beside `file` win.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np

from placer.cue.configs import Role, named_file, read_roles, read_seating, unwrapped
from placer.cue.controllers import read_controllers
from placer.cue.names import made_safe, name_problem, same_name
from placer.cue.records import RUNGS, Cue, LoudnessTarget, SearchSettings, Text, Track, Weights
from placer.cue.starts import Surroundings
from placer.cue.toml_table import Table, filled, load, nearest, shown
from placer.cue.tracks import existing_file, read_track
from placer.errors import CueError
from sim.images import WALLS
from sim.microphones import Arrays
from sim.room import Room

SHORTEST_EXCERPT = 1.0
MOST_TRACKS = 400
TABLES = ("cue", "loudness", "room", "microphones", "search", "weights", "seating", "track", "midi")


def read_cue(path: Path) -> Cue:
    """Read a cue file.

    Parameters
    ----------
    path : Path
        A TOML file.

    Returns
    -------
    Cue

    Raises
    ------
    CueError
        If anything in it, or in a file it names, is wrong.
    """
    top = load(path)
    top.only(TABLES)
    room = _room(top.table("room"))
    arrays = _arrays(top.table("microphones"))
    _check_arrays(arrays, room, path)
    search = _search(top.table("search"), room)
    seating_table = top.table("seating")
    seating = read_seating(named_file(seating_table, "file"))
    seating_table.close()
    roles = read_roles()
    around = Surroundings(room, search.reach, seating, roles)
    head = top.table("cue")
    tracks = _marked(head, _tracks(top, around))
    read_controllers(top, tracks)  # judged here, used by the export
    name = head.get("name", Text, made_safe(path.stem))
    if problem := name_problem(name):
        raise head.error("name", problem)
    cue = Cue(
        name=name,
        path=path,
        room=room,
        arrays=arrays,
        tracks=tracks,
        **_passage(head),
        loudness=filled(top.table("loudness"), LoudnessTarget),
        search=search,
        weights=_weights(top.table("weights")),
        roles=_used(roles, tracks),
        compare=existing_file(head, "compare") if "compare" in head else None,
    )
    head.close()
    return cue


def _marked(head: Table, tracks: tuple[Track, ...]) -> tuple[Track, ...]:
    """Read `hear`, the tracks that carry the music: the others do not, unless they say so."""
    if "hear" not in head:
        return tracks
    names = {same_name(track.name): track.name for track in tracks}
    wanted = set()
    for word in head.get("hear", tuple[str, ...]):
        if same_name(word) not in names:
            problem = f"{shown(word)} is no track{nearest(word, names.values())}"
            raise head.error("hear", problem)
        wanted.add(names[same_name(word)])
    return tuple(
        dataclasses.replace(track, foreground=track.name in wanted)
        if track.foreground is None
        else track
        for track in tracks
    )


def _passage(head: Table) -> dict[str, Any]:
    """Read the rate, and what passage is analysed: [start, end] in s, or its length."""
    found = head.given(Cue, "sample_rate", "excerpt", "excerpt_length")
    start, end = found.get("excerpt", (0.0, SHORTEST_EXCERPT))
    if end - start < SHORTEST_EXCERPT:
        raise head.error(
            "excerpt", f"must rise by {SHORTEST_EXCERPT:g} s or more; write [start, end] in s"
        )
    return found


def _room(table: Table, default: Room | None = None) -> Room:
    """Read a room; what the named file says is the default of what the table says."""
    if (file := named_file(table, "file")) is not None:
        default = _room(unwrapped(load(file), "room"))
    room = default or Room()
    walls = table.table("surfaces")
    times, surfaces = table.given(Room, "reverberation_time"), None
    if "surfaces" in table:
        surfaces = tuple((wall, walls.get(wall, Text)) for wall in WALLS)
    walls.close()
    if not times and surfaces is None:
        surfaces, times = room.surfaces, {"reverberation_time": room.reverberation_time}
    try:
        return filled(table, Room, room, **{"reverberation_time": None, **times}, surfaces=surfaces)
    except ValueError as error:
        raise CueError(f"{table.file}: {error}") from error


def _arrays(table: Table, default: Arrays | None = None) -> Arrays:
    """Read the microphones, over those of a named file."""
    if (file := named_file(table, "file")) is not None:
        default = _arrays(unwrapped(load(file), "microphones"))
    try:
        return filled(table, Arrays, default or Arrays())
    except ValueError as error:
        raise CueError(f"{table.file}: {error}") from error


def _check_arrays(arrays: Arrays, room: Room, file: Path) -> None:
    """Refuse microphones outside the room."""
    for microphone in arrays.shared():
        try:
            room.placed(np.array(microphone.position), f"microphones.{microphone.group}")
        except ValueError as error:
            raise CueError(f"{file}: {error}") from error


def _search(table: Table, room: Room) -> SearchSettings:
    """Read the search; microphones that it may try must stand in the room."""
    rungs = table.get("rungs", tuple[str, ...], RUNGS, allowed=RUNGS)
    if not rungs:
        raise table.error("rungs", f"is empty; name some of {', '.join(RUNGS)}")
    search = filled(table, SearchSettings, rungs=tuple(one for one in RUNGS if one in rungs))
    if search.headphones + search.loudspeakers <= 0:
        raise table.error("headphones", "and search.loudspeakers are both 0; weight one of them")
    for key, side, most in (
        ("tree_height", "height", room.height),
        ("tree_spacing", "width", room.width),
        ("outrigger_spacing", "width", room.width),
        ("hall_distance", "conductor", room.conductor),
    ):
        for value in getattr(search, key):
            if value >= most - 0.1:
                raise table.error(
                    key, f"{value:g} m lies outside the room (room.{side} = {most:g} m); less"
                )
    return search


def _weights(table: Table, default: Weights | None = None) -> Weights:
    """Read the weights, over those of a named file."""
    if (file := named_file(table, "file")) is not None:
        default = _weights(unwrapped(load(file), "weights"))
    weights = filled(table, Weights, default)
    if not any(dataclasses.astuple(weights)):
        raise CueError(
            f"{table.file}: {table.name}audibility: all weights are 0; raise one of them"
        )
    return weights


def _tracks(top: Table, around: Surroundings) -> tuple[Track, ...]:
    """Read all tracks; names differ, and at least one track may move."""
    rows = top.tables("track")
    if not rows:
        raise top.error("track", "is missing; write a [[track]] with name and file for each stem")
    if len(rows) > MOST_TRACKS:
        raise CueError(f"{top.file}: track: {len(rows)} tracks, allowed: up to {MOST_TRACKS}")
    tracks: list[Track] = []
    seen: dict[str, str] = {}
    for row in rows:
        track = read_track(row, around)
        if (other := seen.get(same_name(track.name))) is not None:
            raise row.error("name", f"is also the name of track {shown(other)}; give it another")
        seen[same_name(track.name)] = track.name
        tracks.append(track)
    if not any(track.free for track in tracks):
        raise top.error("track", "every track is fixed or stays; let at least one move")
    return tuple(tracks)


def _used(
    roles: dict[str, Role], tracks: tuple[Track, ...]
) -> tuple[tuple[str, float, float], ...]:
    """Roles that the tracks have, in the order of the shipped table."""
    used = {track.role for track in tracks}
    return tuple(
        (name, role.articulation, role.weight) for name, role in roles.items() if name in used
    )
