"""What the shipped tables say: usual seatings of the sections and what roles need.

*Conventions*: stage coordinates in m (conductor at the origin), gains in dB. A seating file that a
cue names is laid over the shipped one: its sections replace those of the same name, the rest stay.

`configs_folder`, `named_file`: where tables are found. `read_seating`, `read_roles`: what they say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from msgspec import Meta

import placer
from placer.cue.names import same_name
from placer.cue.records import OFF_DB, Gain, Pan, Seat, SourceWidth, Text, Width
from placer.cue.toml_table import Table, filled, load
from placer.errors import CueError
from sim.directivity import FAMILIES


@dataclass(frozen=True, slots=True)
class Section:
    """Where a section usually sits and how it is heard.

    Attributes
    ----------
    seat : (x, y) in m
    source_width : m over which the players are spread
    family : key of `sim.directivity.FAMILIES`
    blend_db : gain in dB of each microphone position that is on
    names : how exports abbreviate it
    """

    seat: Seat
    family: str
    blend_db: Mapping[str, float]
    source_width: SourceWidth = 2.0
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TrackStart:
    """Where one named track starts; None where the file is silent."""

    blend_db: Mapping[str, float]
    seat: Seat | None = None
    pan: Pan | None = None
    width: Width | None = None
    aligned: bool | None = None
    source_width: SourceWidth | None = None


NO_START = TrackStart({})
"""Of a track that no seating file names."""


@dataclass(frozen=True, slots=True)
class Seating:
    """Sections by key, and starts of single tracks by `names.same_name`."""

    sections: Mapping[str, Section]
    tracks: Mapping[str, TrackStart]


@dataclass(frozen=True, slots=True)
class Role:
    """What a layer does: articulation 0 to 1, weight, and how exports abbreviate it."""

    articulation: Annotated[float, Meta(ge=0.0, le=1.0)]
    weight: Annotated[float, Meta(ge=0.0, le=100.0)]
    names: tuple[str, ...] = ()


def configs_folder() -> Path:
    """Find the shipped tables: `placer/configs` if installed, else `configs` beside `placer`."""
    package = Path(placer.__file__).resolve().parent
    for folder in (package / "configs", package.parent / "configs"):
        if (folder / "seating.toml").is_file():
            return folder
    raise CueError(f"{package}: the shipped configs are missing; install the package again")


def named_file(table: Table, key: str) -> Path | None:
    """Find the file that a key names: beside the TOML file, else among the shipped configs."""
    if key not in table:
        return None
    name: str = table.get(key, Text)
    beside, shipped = table.file.parent / name, configs_folder() / name
    try:
        for path in (beside, shipped):
            if path.is_file():
                return path
        kind = "is not a file" if beside.exists() else "no such file"
    except OSError as error:
        raise table.error(key, f"cannot be read ({error.strerror}); check the name") from error
    raise table.error(key, f"{kind} beside the cue file or in {configs_folder()}; check the name")


def unwrapped(table: Table, key: str) -> Table:
    """Give the keys of a named file, whether at its top or below one [`key`] header."""
    return table.table(key) if table.holds_only(key) else table


def read_seating(file: Path | None = None) -> Seating:
    """Read the shipped seating with `file`, if any, laid over it; CueError if either is wrong."""
    shipped = _seating(load(configs_folder() / "seating.toml"))
    if file is None:
        return shipped
    own = _seating(load(file))
    return Seating({**shipped.sections, **own.sections}, own.tracks)


def read_roles() -> dict[str, Role]:
    """Read the shipped roles, in their order; CueError if they are wrong."""
    table = load(configs_folder() / "roles.toml")
    rows = table.table("role")
    roles = {name: filled(rows.table(name), Role) for name in rows.keys()}  # noqa: SIM118
    table.close()
    return roles


def blend(table: Table, positions: tuple[str, ...] | None = None) -> dict[str, float]:
    """Read `blend`: gain in dB of microphone positions, of `positions` only if they are given."""
    gains = table.table("blend")
    names = gains.keys() if positions is None else [name for name in positions if name in gains]
    found = {name: max(OFF_DB, gains.get(name, Gain)) for name in names}
    gains.close()
    return found


def _seating(table: Table) -> Seating:
    sections, tracks = table.table("section"), table.table("track")
    found = Seating(
        {name: _section(sections.table(name)) for name in sections.keys()},  # noqa: SIM118
        {same_name(name): _start(tracks.table(name)) for name in tracks.keys()},  # noqa: SIM118
    )
    table.close()
    return found


def _section(row: Table) -> Section:
    family = row.get("family", Text, "omni", allowed=FAMILIES)
    return filled(row, Section, family=family, blend_db=blend(row))


def _start(row: Table) -> TrackStart:
    """Read one track's start; what is not given stays None."""
    return filled(row, TrackStart, blend_db=blend(row))
