"""What the composer says about a cue: frozen records, mirrored one to one by the TOML file.

*Conventions*: metres, seconds, decibels (`_db`), stage coordinates (conductor at the origin, x to
the right, y towards the back). Defaults and allowed ranges live here and nowhere else.

Sources
-------
Defaults of level follow EBU R 128 (-23 LUFS, -1 dBTP); limits of the search are common practice,
no source, and every one of them can be changed in the cue file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated

from msgspec import Meta

from placer.audio.pairs import StemFile
from sim.microphones import Arrays, Coordinate, Length
from sim.room import Room

Text = Annotated[str, Meta(min_length=1, max_length=1000)]
Seat = tuple[Coordinate, Coordinate]
Gain = Annotated[float, Meta(ge=-200.0, le=24.0)]
"""dB; at or below `OFF_DB` the position is off."""
Pan = Annotated[float, Meta(ge=-1.0, le=1.0)]
Width = Annotated[float, Meta(ge=0.0, le=2.0)]
SourceWidth = Annotated[float, Meta(ge=0.0, le=40.0)]
"""m over which players are spread."""
Tolerance = Annotated[float, Meta(ge=0.0, le=60.0)]
"""dB."""
Weight = Annotated[float, Meta(ge=0.0, le=1000.0)]
Seconds = Annotated[float, Meta(ge=0.0, le=3600.0)]

OFF_DB = -60.0
"""A microphone position at or below this gain is switched off."""

DRY_POSITIONS = ("close", "tree", "outriggers", "hall")
"""Microphone positions simulated for a dry track, in this order."""

DIRECT_POSITIONS = ("as it is",)
"""The one position of a track that is heard exactly as its file is."""

RUNGS = ("few", "some", "contrast", "clearest", "other")
"""Mixes of rising effort: of few moves, of twice as many or a third of all, of all with the mean
depth held, of all; and another of few moves that begins otherwise and gains nearly as much."""

FOREGROUND_ROLES = ("ostinato", "melody", "counter_melody", "bass")
"""Roles that carry the music where the cue file does not say (common practice, no source)."""

LOCKS = ("seat", "blend", "pan", "width", "delay")
"""What a composer may lock on a track."""


@dataclass(frozen=True, slots=True)
class Placement:
    """Where one layer is heard from.

    Attributes
    ----------
    seat : (x, y) in m, or None for a recorded track
    blend_db : gain of each microphone position in dB, in the order of `Track.positions`;
        `OFF_DB` or less is off
    pan : -1 (left) to 1 (right), 0 as seated or recorded: turns every position but the hall's
    width : 0 (mono) to 1 (as seated or recorded) and beyond: the side signal's gain in every
        position
    aligned : whether the close position is delayed to meet the tree
    trim_db : how far the track's loudness leaves its reference, within `SearchSettings.trim_db`
    """

    seat: tuple[float, float] | None
    blend_db: tuple[float, ...]
    pan: float = 0.0
    width: float = 1.0
    aligned: bool = False
    trim_db: float = 0.0


@dataclass(frozen=True, slots=True)
class TrackLimits:
    """How far the search may move one track.

    Attributes
    ----------
    area : (left, right, front, back) in m that the seat must stay in
    gain_db : (lowest, highest) gain of a position that is not off
    pan : (leftmost, rightmost)
    width : (narrowest, widest)
    """

    area: tuple[Coordinate, Coordinate, Coordinate, Coordinate]
    gain_db: tuple[Gain, Gain] = (-24.0, 6.0)
    pan: tuple[Pan, Pan] = (-1.0, 1.0)
    width: tuple[Width, Width] = (0.3, 1.2)


@dataclass(frozen=True, slots=True)
class Track:
    """One layer of the cue.

    Attributes
    ----------
    name : unique within the cue
    kind : "dry" (seat in the simulated room), "recorded" (one file a microphone position) or
        "direct" (one file that is heard exactly as it is; always fixed)
    files : one source for "dry" and "direct"; one a position, in that order, for "recorded". A
        source is a file, or a pair of mono files that are left and right
    positions : microphone positions in the order of `Placement.blend_db`
    section, role : keys of the seating and role tables in `configs/`
    priority : how much this layer matters to the composer, 1 is usual
    group : layers of one group double one another and do not mask one another; "" is none
    fixed : heard and masks others, never moved
    source_width : m over which the players of a section are spread
    start : the placement of the reference mix
    limits, locks : what the search may change; a track with every lock stays as it is
    bus : tracks of one bus take one change together; "" is none
    foreground : whether it carries the music; None leaves it to the role
    seat_from : where the start seat comes from, in words; "" without a seat
    """

    name: str
    kind: str
    files: tuple[StemFile, ...]
    positions: tuple[str, ...]
    section: str
    role: str
    start: Placement
    limits: TrackLimits
    priority: Annotated[float, Meta(ge=0.01, le=100.0)] = 1.0
    group: Text = ""
    fixed: bool = False
    family: str = "strings"
    source_width: SourceWidth = 2.0
    locks: frozenset[str] = frozenset()
    bus: Text = ""
    foreground: bool | None = None
    seat_from: str = ""

    @property
    def settings(self) -> tuple[str, ...]:
        """What a search could change on a track of this kind, in the order of `LOCKS`."""
        kinds = {"dry": LOCKS, "recorded": tuple(one for one in LOCKS if one != "seat")}
        return kinds.get(self.kind, ())

    @property
    def free(self) -> tuple[str, ...]:
        """What the search may change on this track; empty where the track stays as it is."""
        return () if self.fixed else tuple(one for one in self.settings if one not in self.locks)


@dataclass(frozen=True, slots=True)
class LoudnessTarget:
    """Where the whole mix must end: integrated loudness and true-peak ceiling (BS.1770)."""

    target_lufs: Annotated[float, Meta(ge=-60.0, le=0.0)] = -23.0
    ceiling_dbtp: Annotated[float, Meta(ge=-20.0, le=0.0)] = -1.0


@dataclass(frozen=True, slots=True)
class SearchSettings:
    """How the search works and what it may never do.

    Attributes
    ----------
    trials : outer trials when neither `--time` nor `--trials` is given
    seed : every random choice follows from it
    reach : m that a seat may leave its start, unless the track names an area
    trim_db : how far a placed track may leave its reference loudness
    drier_db : how much late energy a track may lose against the reference
    late_db, low_db, balance_db : tolerances of the whole mix against the reference
    layer_low_db : how far a low third of a track may leave the reference
    side_db, room_side_db : left against right of a placed track, and of its late energy, at most,
        unless its reference leans further
    room_share : times its share of all late energy in the reference that a track may have
        (`cost.scene.Limits.room_share` adds some points)
    rungs : mixes that are searched, from few moves to the clearest
    moves : of the shortest path; 0 for 3, or a tenth of a large template
    most_gain_db : largest change of a position's gain
    contrast_db : how far the mean depth may move where it is held
    headphones, loudspeakers : weights of the two ways of listening
    close_distance, tree_height, tree_spacing, outrigger_spacing, hall_distance : values that
        the outer loop may choose from, in m; empty keeps the value of `[microphones]`
    """

    trials: Annotated[int, Meta(ge=1, le=100000)] = 8
    seed: Annotated[int, Meta(ge=0, le=2**31 - 1)] = 1
    reach: Annotated[float, Meta(ge=0.0, le=100.0)] = 8.0
    trim_db: Annotated[float, Meta(ge=0.0, le=6.0)] = 0.0
    drier_db: Tolerance = 6.0
    late_db: Tolerance = 1.0
    low_db: Tolerance = 1.5
    layer_low_db: Tolerance = 3.0
    balance_db: Tolerance = 1.5
    side_db: Tolerance = 15.0
    room_side_db: Tolerance = 9.0
    room_share: Annotated[float, Meta(ge=1.0, le=100.0)] = 1.5
    rungs: tuple[str, ...] = RUNGS
    moves: Annotated[int, Meta(ge=0, le=1000)] = 0
    most_gain_db: Annotated[float, Meta(ge=1.0, le=60.0)] = 10.0
    contrast_db: Tolerance = 2.0
    headphones: Weight = 0.5
    loudspeakers: Weight = 0.5
    close_distance: tuple[Annotated[float, Meta(ge=0.2, le=5.0)], ...] = ()
    tree_height: tuple[Length, ...] = ()
    tree_spacing: tuple[Length, ...] = ()
    outrigger_spacing: tuple[Length, ...] = ()
    hall_distance: tuple[Length, ...] = ()


@dataclass(frozen=True, slots=True)
class Weights:
    """Weight of each cost term; a matter of taste, so named in the cue file."""

    audibility: Weight = 1.0
    definition: Weight = 0.1
    overlap: Weight = 0.05
    loudness: Weight = 0.05
    low_weight: Weight = 0.1
    balance: Weight = 0.05
    mono: Weight = 0.1
    seating: Weight = 0.02


@dataclass(frozen=True, slots=True)
class Cue:
    """Everything the composer says about one cue.

    Attributes
    ----------
    name : of the cue
    path : of the TOML file
    sample_rate : Hz of analysis and render
    excerpt : (start, end) in s to analyse, or None to choose the densest passage
    excerpt_length : s of the passage that is chosen
    compare : the composer's own mix, to be listened to beside the others, or None
    """

    name: str
    path: Path
    room: Room
    arrays: Arrays
    tracks: tuple[Track, ...]
    sample_rate: Annotated[int, Meta(ge=32000, le=192000)] = 48000  # the bands reach 15 kHz
    excerpt: tuple[Seconds, Seconds] | None = None
    excerpt_length: Annotated[float, Meta(ge=1.0, le=3600.0)] = 20.0
    loudness: LoudnessTarget = field(default_factory=LoudnessTarget)
    search: SearchSettings = field(default_factory=SearchSettings)
    weights: Weights = field(default_factory=Weights)
    compare: Path | None = None
    roles: tuple[tuple[str, float, float], ...] = ()
    """(role, articulation 0..1, weight) of every role used, from `configs/roles.toml`."""
