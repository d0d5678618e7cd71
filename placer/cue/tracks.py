"""What a cue file says about one track, with what its section gives it.

*Conventions*: stage coordinates in m (conductor at the origin, x right, y towards the back), gains
in dB, pan -1 to 1. File names are relative to the cue file. A list of two mono files, left then
right, stands for one stereo file.

`read_track`: the track. `existing_file`: a file that a key names.
"""

from __future__ import annotations

from pathlib import Path

from placer.audio.pairs import MonoPair, StemFile, files_of
from placer.cue.configs import NO_START, TrackStart
from placer.cue.names import name_problem, same_name
from placer.cue.records import DIRECT_POSITIONS, DRY_POSITIONS, LOCKS, SourceWidth, Text, Track
from placer.cue.starts import Surroundings, read_limits, read_start
from placer.cue.toml_table import Table, nearest
from sim.directivity import FAMILIES

DEFAULT_SECTION, DEFAULT_ROLE = "other", "bed"
KEYS = (
    *("name", "file", "positions", "section", "role", "priority", "group", "fixed", "stay"),
    *("seat", "pan", "width", "blend", "aligned", "source_width", "family", "limits", "locks"),
    *("bus", "foreground"),
)
MOST_POSITIONS = 16


def read_track(row: Table, around: Surroundings) -> Track:
    """Read one [[track]].

    Parameters
    ----------
    row : Table
        Its keys.
    around : Surroundings
        Room, reach, seatings and roles.

    Returns
    -------
    Track

    Raises
    ------
    CueError
        If a value is wrong, a file is missing, or a start lies outside its limits.
    """
    row.only(KEYS)
    name = row.get("name", Text)
    if problem := name_problem(name):
        raise row.error("name", problem)
    positions, files, recorded = _files(row)
    section = row.get("section", Text, DEFAULT_SECTION, allowed=around.seating.sections)
    usual = around.seating.sections[section]
    own = around.seating.tracks.get(same_name(name), NO_START)
    fixed = row.get("fixed", bool, False)
    kind = _kind(row, own, recorded=recorded, fixed=fixed)
    positions = DIRECT_POSITIONS if kind == "direct" else positions
    locks = _locks(row, kind, fixed=fixed)
    given = read_limits(row, around, kind=kind, fixed=fixed)
    start, limits = read_start(
        row, around, usual, own=own, positions=positions, kind=kind, limits=given
    )
    return Track(
        name=name,
        kind=kind,
        files=files,
        positions=positions,
        section=section,
        role=row.get("role", Text, DEFAULT_ROLE, allowed=around.roles),
        start=start,
        limits=limits,
        fixed=fixed,
        family=row.get("family", Text, usual.family, allowed=FAMILIES),
        source_width=row.get(
            "source_width",
            SourceWidth,
            usual.source_width if own.source_width is None else own.source_width,
        ),
        locks=locks,
        seat_from=_seat_from(row, section, own) if kind == "dry" else "",
        **row.given(Track, "priority", "group", "bus", "foreground"),
    )


def _files(row: Table) -> tuple[tuple[str, ...], tuple[StemFile, ...], bool]:
    """Read the microphone positions and files, and whether the track is a recorded one."""
    if ("file" in row) == ("positions" in row):
        raise row.error(
            "file",
            "give either file (one dry stem) or positions (one file for each microphone position)",
        )
    if "file" in row:
        return DRY_POSITIONS, (_source(row, "file"),), False
    named = row.table("positions")
    names = tuple(named.keys())
    if not names:
        raise row.error("positions", 'is empty; write { close = "a.wav", tree = "b.wav" }')
    if len({same_name(name) for name in names}) < len(names) or len(names) > MOST_POSITIONS:
        raise row.error("positions", f"allowed: up to {MOST_POSITIONS} positions, each named once")
    for name in names:
        if problem := name_problem(name):
            raise named.error(name, problem)
    files = tuple(_source(named, name) for name in names)
    single = [path for source in files for path in files_of(source)]
    if len(set(single)) < len(single):
        raise row.error("positions", "names one file twice; each position has a file of its own")
    return names, files, True


def _source(row: Table, key: str) -> StemFile:
    """Read one file, or a list of two mono files: left, then right."""
    if not row.is_list(key):
        return existing_file(row, key)
    names = row.get(key, tuple[str, ...])
    if len(names) != 2:
        raise row.error(
            key, 'lists two mono files, left then right: ["a_L.wav", "a_R.wav"]; or name one file'
        )
    left, right = (_file(row, key, name) for name in names)
    return MonoPair(left, right)


def existing_file(row: Table, key: str) -> Path:
    """Read a file name relative to the cue file; the file must exist.

    Raises
    ------
    CueError
        It does not, or cannot be reached.
    """
    return _file(row, key, row.get(key, Text))


def _file(row: Table, key: str, name: str) -> Path:
    """Find a file by its name relative to the cue file; it must exist."""
    path = row.file.parent / name
    try:
        if path.is_file():
            return path
        problem = "is not a file" if path.exists() else "no such file"
        beside = [one.name for one in path.parent.iterdir()] if path.parent.is_dir() else []
    except OSError as error:
        raise row.error(key, f"cannot be read ({error.strerror}); check the name") from error
    raise row.error(key, problem + (nearest(path.name, beside) if beside else "; no such folder"))


def _kind(row: Table, own: TrackStart, *, recorded: bool, fixed: bool) -> str:
    """Tell dry, recorded and direct tracks apart, and refuse keys that would do nothing."""
    if recorded:
        if "seat" in row or own.seat is not None:
            raise row.error("seat", "a recorded track keeps its own place; take the seat out")
        return "recorded"
    if not fixed or "seat" in row or own.seat is not None:
        return "dry"
    for key in ("pan", "width", "blend", "aligned", "source_width", "family"):
        if key in row:
            raise row.error(
                key, "does nothing for a fixed track that is heard as it is; give it a seat too"
            )
    return "direct"


def _seat_from(row: Table, section: str, own: TrackStart) -> str:
    """Say where the start seat of a dry track comes from."""
    if "seat" in row:
        return "as the cue says"
    return f"usual seat of {section}" if own.seat is None else "as the seating file says"


def _locks(row: Table, kind: str, *, fixed: bool) -> frozenset[str]:
    """Read `locks` and `stay`: what the search may not change on this track."""
    if row.get("stay", bool, False):
        for key, does in (
            ("fixed", "leaves the track as it is already"),
            ("locks", "are all set by stay already"),
            ("limits", "do nothing for a track that stays"),
        ):
            if key in row:
                raise row.error(key, f"{does}; take {key} or stay out")
        return frozenset(LOCKS) - (frozenset() if kind == "dry" else {"seat"})
    locks = row.get("locks", tuple[str, ...], (), allowed=LOCKS)
    if locks and fixed:
        raise row.error("locks", "do nothing for a fixed track; take them or fixed out")
    if "seat" in locks and kind != "dry":
        raise row.error("locks", "a recorded track has no seat to lock; take seat out")
    return frozenset(locks)
