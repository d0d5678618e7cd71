"""What the shipped tables say: usual seatings of the sections and what roles need.

*Conventions*: stage coordinates in m (conductor at the origin), gains in dB. A seating file that a
cue names is laid over the shipped one: its sections replace those of the same name, the rest stay.

`configs_folder`, `named_file`: where tables are found. `read_seating`, `read_roles`: what they say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import placer
from placer.cue.names import same_name
from placer.cue.records import OFF_DB
from placer.cue.tables import Table, load
from placer.errors import CueError
from sim.directivity import FAMILIES

FARTHEST = 100.0
"""m; beyond any stage. Whether a seat lies in the room is checked with the room."""
BLEND_LIMITS = (-200.0, 24.0)
"""dB; anything at or below `OFF_DB` switches a position off."""
WIDEST_SOURCE = 40.0
WIDTH_LIMITS = (0.0, 2.0)


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

    seat: tuple[float, float]
    source_width: float
    family: str
    blend_db: Mapping[str, float]
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Start:
    """Where one named track starts; None where the file is silent."""

    seat: tuple[float, float] | None
    blend_db: Mapping[str, float]
    pan: float | None
    width: float | None
    aligned: bool | None
    source_width: float | None


NO_START = Start(None, {}, None, None, None, None)
"""Of a track that no seating file names."""


@dataclass(frozen=True, slots=True)
class Seating:
    """Sections by key, and starts of single tracks by `names.same_name`."""

    sections: Mapping[str, Section]
    tracks: Mapping[str, Start]


@dataclass(frozen=True, slots=True)
class Role:
    """What a layer does: articulation 0 to 1, weight, and how exports abbreviate it."""

    articulation: float
    weight: float
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
    name = table.text(key)
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
    roles = {}
    for name in rows.keys():  # noqa: SIM118 (a Table is no mapping)
        row = rows.table(name)
        roles[name] = Role(
            row.number("articulation", (0.0, 1.0)), row.number("weight", (0.0, 100.0)), _names(row)
        )
        row.close()
    table.close()
    return roles


def pair(table: Table, key: str, limits: tuple[float, float]) -> tuple[float, float] | None:
    """Read two numbers; None if they are not given."""
    values = table.numbers(key, limits, 2)
    return None if values is None else (values[0], values[1])


def blend(table: Table, positions: tuple[str, ...] | None = None) -> dict[str, float]:
    """Read `blend`: gain in dB of microphone positions, of `positions` only if they are given."""
    gains = table.table("blend")
    names = gains.keys() if positions is None else [name for name in positions if name in gains]
    found = {name: max(OFF_DB, gains.number(name, BLEND_LIMITS)) for name in names}
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
    seat = pair(row, "seat", (-FARTHEST, FARTHEST))
    if seat is None:
        raise row.error("seat", "is missing; give [x, y] in m")
    section = Section(
        seat,
        row.number("source_width", (0.0, WIDEST_SOURCE), 2.0),
        row.text("family", "omni", allowed=FAMILIES),
        blend(row),
        _names(row),
    )
    row.close()
    return section


def _start(row: Table) -> Start:
    """Read one track's start; what is not given stays None."""
    start = Start(
        pair(row, "seat", (-FARTHEST, FARTHEST)),
        blend(row),
        row.number("pan", (-1.0, 1.0)) if "pan" in row else None,
        row.number("width", WIDTH_LIMITS) if "width" in row else None,
        row.flag("aligned", default=False) if "aligned" in row else None,
        row.number("source_width", (0.0, WIDEST_SOURCE)) if "source_width" in row else None,
    )
    row.close()
    return start


def _names(row: Table) -> tuple[str, ...]:
    return row.texts("names") if "names" in row else ()
