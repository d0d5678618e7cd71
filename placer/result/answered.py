"""Which moves of a run the composer keeps and which are refused: a small file in the run folder.

    # answers.toml
    mix = 1                     # the mix whose moves are meant
    kept = ["horns"]            # held as they are there
    refused = ["ostinato"]      # not proposed again, nor anything as good as the same

*Conventions*: tracks by name; the file is written by hand or by the listening page. Answers add up
from run to run: what a search was told to keep or refuse stays so in those that go on from it.

`read_answers`: the file of a run, for the cue that is searched on. `write_answers`,
`stored_answers`: the file as the page writes and shows it. `set_aside`: a file that speaks of mixes
which are no more.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

from msgspec import Meta
from msgspec.structs import asdict

from placer.audio.atomic import write_text
from placer.cue.names import same_name
from placer.cue.records import Cue, Placement
from placer.cue.toml_table import Table, load, nearest, shown
from placer.errors import CueError, FolderError
from placer.result.blind import RequestError
from placer.result.facts import mix_of
from placer.result.folder import open_run
from placer.result.model import Result
from placer.run.kept_moves import Answers
from placer.run.plain import placement_from
from placer.run.unit_options import units_of

FILE = "answers.toml"
ASIDE = "answers-earlier.toml"
"""Answers to mixes that a later search in the same folder has replaced."""


def read_answers(run: Path, cue: Cue) -> Answers:
    """Answers to the moves of a run, added to those that the run itself went on from.

    Parameters
    ----------
    run : Path
        Run folder with `answers.toml`.
    cue : Cue
        That is searched from there.

    Returns
    -------
    Answers

    Raises
    ------
    CueError
        The file is missing or wrong, or belongs to the run of another cue.
    FolderError
        There is no run, or no such mix.
    """
    result = open_run(run).read_result()
    path = run / FILE
    names = [track.name for track in cue.tracks]
    if result.names != names:
        raise CueError(
            f"{run}: holds answers of another cue ({shown(result.cue.name)}); name a run of "
            f"{shown(cue.name)}"
        )
    table = load(path)
    rank = table.get("mix", Annotated[int, Meta(ge=1, le=max(1, len(result.mixes)))], 1)
    mix = mix_of(result, rank)
    rows = {row.name: row for row in mix.tracks}
    earlier = _earlier(run, result, cue)
    found: dict[str, dict[str, Placement]] = {"kept": {}, "refused": {}}
    for key, part in found.items():
        asked = _names(table, key, names)
        for name in _with_their_bus(cue, asked):
            track = cue.tracks[names.index(name)]
            try:
                placement = placement_from(track, asdict(rows[name]))
            except (KeyError, TypeError, ValueError, IndexError) as error:
                raise FolderError(f"{run}: mix {rank}: does not fit its cue ({error!r})") from error
            if placement == track.start and name not in asked:
                continue
            if placement == track.start:
                raise table.error(key, f"{shown(name)} does not move in mix {rank}; take it out")
            part[name] = placement
    table.close()
    both = set(found["kept"]) & set(found["refused"])
    if both:
        raise table.error("kept", f"and refused both name {shown(min(both))}; keep one of them")
    if not found["kept"] and not found["refused"]:
        raise table.error("kept", "and refused name no track; name a move to keep or to refuse")
    refused: dict[str, tuple[Placement, ...]] = {}
    for name, placement in found["refused"].items():
        refused[name] = (placement,)
    return Answers(found["kept"], refused).after(earlier)


def _earlier(run: Path, result: Result, cue: Cue) -> Answers:
    """The answers that a run itself went on from."""
    tracks = {track.name: track for track in cue.tracks}
    refused: dict[str, tuple[Placement, ...]] = {}
    try:
        kept = {one.name: placement_from(tracks[one.name], asdict(one)) for one in result.kept}
        for one in result.refused:
            placement = placement_from(tracks[one.name], asdict(one))
            refused[one.name] = (*refused.get(one.name, ()), placement)
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise FolderError(f"{run}: kept or refused does not fit its cue ({error!r})") from error
    return Answers(kept, refused)


def _names(table: Table, key: str, names: Sequence[str]) -> list[str]:
    """Track names that a key lists, as the cue writes them."""
    known = {same_name(name): name for name in names}
    found = []
    for word in table.get(key, tuple[str, ...], ()):
        if same_name(word) not in known:
            raise table.error(key, f"{shown(word)} is no track{nearest(word, names)}")
        found.append(known[same_name(word)])
    return found


def _with_their_bus(cue: Cue, asked: Sequence[str]) -> list[str]:
    """Names of tracks and of those that move with them."""
    units, names = units_of(cue), [track.name for track in cue.tracks]
    numbers = {int(units.of_track[names.index(name)]) for name in asked}
    return [names[index] for unit in sorted(numbers) for index in units.members[unit]]


def write_answers(run: Path, result: Result, asked: Mapping[str, Any]) -> None:
    """Write answers into a run folder; without any the file goes.

    Parameters
    ----------
    run : Path
        Run folder.
    result : Result
    asked : mapping
        "mix" (its rank), "kept" and "refused" (names of tracks that its path moves).

    Raises
    ------
    RequestError
        There is no such mix or move, or one is both kept and refused.
    FolderError
        The file cannot be written.
    """
    rank = asked["mix"]
    found = [mix for mix in result.mixes if mix.rank == rank and rank is not True]
    if not found:
        raise RequestError(f"mix = {rank!r}: this run has no such mix")
    moved = found[0].moved
    names = {key: list(dict.fromkeys(asked[key])) for key in ("kept", "refused")}
    strange = [name for part in names.values() for name in part if name not in moved]
    if strange:
        raise RequestError(f"{strange[0]!r}: mix {rank} does not move such a track")
    if both := set(names["kept"]) & set(names["refused"]):
        raise RequestError(f"{min(both)!r}: is both kept and refused")
    path = run / FILE
    if not any(names.values()):
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise FolderError(f"{path}: cannot be removed ({error.strerror})") from error
        return
    lines = [f"{key} = {json.dumps(part, ensure_ascii=False)}" for key, part in names.items()]
    write_text(path, "\n".join([f"mix = {rank}", *lines]) + "\n")


def set_aside(run: Path, before: Result, after: Result) -> list[str]:
    """Rename answers to mixes that a new result does not hold any more.

    Parameters
    ----------
    run : Path
        Run folder.
    before, after : Result
        What it held, and what it holds.

    Returns
    -------
    list of str
        A line for a person, where there was anything to rename.

    Raises
    ------
    FolderError
        The file cannot be renamed.
    """
    path = run / FILE
    if not path.exists() or _places(before) == _places(after):
        return []
    try:
        path.replace(run / ASIDE)
    except OSError as error:
        raise FolderError(f"{path}: cannot be renamed ({error.strerror})") from error
    return [
        f"{FILE} spoke of mixes that are no more: it is called {ASIDE} now; keep or refuse anew"
    ]


def _places(result: Result) -> list[list[tuple[Any, ...]]]:
    """What answers can speak of: where each mix has each track."""
    return [
        [(t.name, t.seat, t.pan, t.width, t.aligned, t.trim_db, t.blend_db) for t in mix.tracks]
        for mix in result.mixes
    ]


def stored_answers(run: Path) -> dict[str, Any] | None:
    """The answers of a run for its page; None where there are none that it could show."""
    try:
        table = tomllib.loads((run / FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    found = {"mix": table.get("mix", 1)}
    for key in ("kept", "refused"):
        names = table.get(key, [])
        if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
            return None
        found[key] = names
    return found if isinstance(found["mix"], int) else None
