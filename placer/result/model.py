"""What result.json says: typed, frozen records, written and read by msgspec.

*Conventions*: the fields are the keys of the file, in its order; what an earlier version did not
write has a default. `gain`, `level` and the like in dB, `pan` from -1 (left) to 1, places in m,
shares of 0 to 1; a microphone position that is off is None. Numbers are finite. The reference is a
`Mix` of rank 0 without a path.

`Result`: the file. `decoded`, `encoded`: its text. `contradiction`: values that are right by
themselves and do not fit one another. `json_text`, `refusal`: for other files of a run folder.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal, get_args

import msgspec
from msgspec import Meta, Struct, ValidationError

from placer.cue.toml_table import shown, shown_key
from sim.microphones import Arrays
from sim.room import Room

SCHEMA = "placer.result/1"
OWN_RANK = -1
"""Rank by which pages and votes name the composer's own mix."""
OWN_FILE = "compare.wav"
"""The composer's own mix in a run folder."""
LONGEST_NAME = 200
"""Bytes; with an ending it stays below the 255 of most file systems."""
LARGEST = 1e12
"""No figure of a result comes near this; beyond, rounding to text or to whole numbers may fail."""

Number = Annotated[float, Meta(ge=-LARGEST, le=LARGEST)]
Positive = Annotated[float, Meta(gt=0.0, le=LARGEST)]
NotNegative = Annotated[float, Meta(ge=0.0, le=LARGEST)]
Count = Annotated[int, Meta(ge=0, le=int(LARGEST))]
Rank = Annotated[int, Meta(ge=OWN_RANK, le=int(LARGEST))]
Pan = Annotated[float, Meta(ge=-1.0, le=1.0)]
Share = Annotated[float, Meta(ge=0.0, le=1.0)]
Place = tuple[Number, Number]
TrackKind = Literal["dry", "recorded", "direct"]
RungName = Literal["few", "some", "contrast", "clearest", "other"]
WORDS = {
    "float": "a number", "int": "a whole number", "str": "text", "bool": "true or false",
    "array": "a list", "object": "a table of keys", "null": "nothing",
}  # fmt: skip
"""Kinds of value as msgspec names them, and as a person reads them."""


class ResultCue(Struct, frozen=True, kw_only=True):
    """Which cue was searched: its name, its file, and the hash of it and its stems."""

    name: str
    path: str
    hash: str


class ResultLoudness(Struct, frozen=True, kw_only=True):
    """What every mix aims at: LUFS, and a ceiling in dBTP."""

    target_lufs: Number
    ceiling_dbtp: Number


class ResultLimits(Struct, frozen=True, kw_only=True):
    """How far the lows of the mix and the sides of a layer may move, dB."""

    low_db: Number
    side_db: Number
    room_side_db: Number


class ResultTrack(Struct, frozen=True, kw_only=True):
    """What a track is, in whichever mix."""

    name: str
    kind: TrackKind
    section: str
    role: str
    positions: tuple[str, ...]
    priority: Number
    fixed: bool
    group: str
    bus: str
    foreground: bool
    files: tuple[str, ...]
    area: tuple[Number, Number, Number, Number] | None


class PlacedTrack(Struct, frozen=True, kw_only=True):
    """How one mix places a track, and what is heard of it.

    `free` names what a hand may set; `hidden_by` who hides it most; `terms` its part of the cost.
    """

    name: str
    seat: Place | None
    pan: Pan
    width: Number
    aligned: bool
    trim_db: Number = 0.0
    blend_db: dict[str, Number | None]
    close_delay_ms: Number
    make_up_db: Number
    lateral_deg: Number
    drr_db: Number
    c80_db: Number
    audibility: Number
    margin_db: Number = 0.0
    layer_low_db: Number = 0.0
    side_db: Number
    room_side_db: Number
    hidden_by: tuple[str, ...]
    terms: dict[str, Number]
    free: tuple[str, ...]
    words: str = ""

    @property
    def place(self) -> Place:
        """Its seat, of a track that has one."""
        assert self.seat is not None
        return self.seat


class AnsweredMove(Struct, frozen=True, kw_only=True):
    """Where a track was kept or refused by answers to an earlier search."""

    name: str
    seat: Place | None
    pan: Pan
    width: Number
    aligned: bool
    trim_db: Number = 0.0
    blend_db: dict[str, Number | None]


class MixFigures(Struct, frozen=True, kw_only=True):
    """The whole file against the reference's, dB; None where an earlier run did not look."""

    low_thirds_db: Annotated[tuple[Number, ...], Meta(min_length=1)]
    low_weight_db: Number | None = None
    left_right_db: Number
    left_right_low_db: Number
    mono_loss_db: Number
    late_db: Number
    late_mid_db: Number | None = None
    late_high_db: Number | None = None
    thirds_db: Annotated[tuple[Number, ...], Meta(min_length=1)]


class Freed(Struct, frozen=True, kw_only=True):
    """What part of a layer another track hides before a step, and after it."""

    layer: str
    by: str
    before: Share
    after: Share


class PathStep(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Tracks that move together; cost and audibility of every track once they have.

    `freed` says what the step alone frees, the most first; earlier versions did not write it.
    """

    tracks: tuple[str, ...]
    cost: Number
    audibility: dict[str, Number]
    freed: tuple[Freed, ...] = ()


class Mix(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One mix; the reference, rank 0, has no rung and no path.

    `microphones` tells what its own microphone arrays bring before any track moves, where they are
    not those of the reference; earlier versions did not write it.
    """

    rank: Count
    file: str
    cost: Number
    terms: dict[str, Number]
    feasible: bool
    violations: dict[str, Number]
    figures: MixFigures
    lufs: Number
    true_peak_dbtp: Number
    gain_db: Number
    missed_lu: Number
    shared: dict[str, Number]
    tracks: tuple[PlacedTrack, ...]
    maskers: tuple[tuple[Number, ...], ...]
    rung: RungName | None = None
    nested: bool | None = None
    microphones: PathStep | None = None
    path: tuple[PathStep, ...] | None = None
    words: str

    @property
    def steps(self) -> tuple[PathStep, ...]:
        """Steps of its path; none of the reference."""
        return self.path or ()

    @property
    def moved(self) -> list[str]:
        """Names of the tracks that its path moves, in order."""
        return [name for step in self.steps for name in step.tracks]


TrackTriple = tuple[ResultTrack, PlacedTrack, PlacedTrack]
"""A track: what it is, as the reference has it, as a mix has it."""


class OwnMix(Struct, frozen=True, kw_only=True):
    """The composer's own mix: a file and its loudness, no placements, no cost."""

    rank: Literal[-1] = -1
    file: Literal["compare.wav"] = "compare.wav"
    source: str
    hash: str
    lufs: Number
    true_peak_dbtp: Number
    gain_db: Number
    missed_lu: Number


class ResultSearch(Struct, frozen=True, kw_only=True):
    """What the search did; `history` is (placements looked at, best cost) from trial to trial."""

    trials: Count
    evaluations: Count
    history: tuple[tuple[Count, Number], ...]
    workers: Count


class Result(Struct, frozen=True, kw_only=True):
    """What a search found, and everything that it was found with.

    `kept` and `refused` are all answers that it went on from.
    """

    schema: str = SCHEMA
    cue: ResultCue
    sample_rate: Annotated[int, Meta(gt=0, le=int(LARGEST))]
    seconds: Positive
    excerpt: Place | None
    seed: Count
    room: Room
    arrays: Arrays
    loudness: ResultLoudness
    weights: Annotated[dict[str, NotNegative], Meta(min_length=1)] | None = None
    tracks: Annotated[tuple[ResultTrack, ...], Meta(min_length=1)]
    bands: tuple[Number, ...] = ()
    thirds: tuple[Number, ...] = ()
    limits: ResultLimits
    reference: Mix
    mixes: tuple[Mix, ...]
    search: ResultSearch
    notes: tuple[str, ...]
    warnings: tuple[str, ...]
    compare: OwnMix | None = None
    kept: tuple[AnsweredMove, ...] = ()
    refused: tuple[AnsweredMove, ...] = ()

    @property
    def all_mixes(self) -> tuple[Mix, ...]:
        """The reference, then the mixes."""
        return (self.reference, *self.mixes)

    @property
    def span(self) -> Place:
        """The analysed passage, s."""
        return self.excerpt or (0.0, self.seconds)

    @property
    def names(self) -> list[str]:
        """Names of the tracks, in the cue's order."""
        return [track.name for track in self.tracks]


def json_text(record: Struct) -> str:
    """A record as text of JSON, one value a line.

    Raises
    ------
    ValueError
        A number in it is NaN or infinite.
    """
    values = msgspec.to_builtins(record)
    return json.dumps(values, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def refusal(error: ValidationError, values: Any) -> str:
    """Say what msgspec refuses, as "key = value: what is allowed".

    Parameters
    ----------
    error : msgspec.ValidationError
        From `msgspec.convert`.
    values : any JSON value
        What it was to convert.

    Returns
    -------
    str
        "mixes[0].cost = 'x': expected a number, got text", for example.
    """
    problem, _, place = str(error).partition(" - at `$")
    place = place.rstrip("`")
    value: Any = values
    for key in re.findall(r"\.(\w+)|\[(\d+)\]", place.split("[...]")[0]):
        value = value[key[0] or int(key[1])]
    if place.endswith("[...]") and (entry := _wrong_entry(value)):
        place, value = f"{place.removesuffix('[...]')}.{shown_key(entry)}", value[entry]
    problem = re.sub("`([^`]*)`", lambda found: _kinds(found[1]), problem)
    where = place.removeprefix(".")
    if missing := re.fullmatch("Object missing required field (.*)", problem):
        return f"{where}{'.' if where else ''}{missing[1]}: is missing"
    if problem.startswith("Invalid enum value"):
        known = get_args(TrackKind) if where.endswith(".kind") else get_args(RungName)
        problem = f"is unknown; allowed: {', '.join(known)}"
    return f"{where or 'the file'} = {shown(value)}: {problem[:1].lower()}{problem[1:]}"


def _wrong_entry(numbers: Mapping[str, Any]) -> str:
    """Name the first of some values that is no number, "" where all are."""
    for name, value in numbers.items():
        try:
            msgspec.convert(value, Number | None)
        except ValidationError:
            return name
    return ""


def _kinds(name: str) -> str:
    """Kinds of value as a person reads them."""
    return " or ".join(WORDS.get(one, one) for one in name.split(" | "))


def contradiction(result: Result) -> str:
    """Say what does not fit in a result whose values are right by themselves, "" where all does."""
    return next(_contradictions(result), "")


def _contradictions(result: Result) -> Iterator[str]:
    names = result.names
    for index, name in enumerate(names):
        if wrong := _unsafe(name):
            yield f"tracks[{index}].name = {shown(name)}: {wrong}"
    if len(set(names)) < len(names):
        yield "tracks: two have one name"
    if strangers := sorted({one.name for one in (*result.kept, *result.refused)} - set(names)):
        yield f"kept and refused: name {', '.join(strangers)}, which the run does not have"
    for rank, mix in enumerate(result.all_mixes):
        where = f"mixes[{rank - 1}]" if rank else "reference"
        yield from (f"{where}.{wrong}" for wrong in _mix_contradictions(result, mix, rank))


def _unsafe(name: str) -> str:
    """Tell why a name does not stay in its folder when a file gets it."""
    if not name.isprintable() or not name.strip() or len(name.encode()) > LONGEST_NAME:
        return "is empty, too long or holds characters that cannot be printed"
    return "would leave its folder" if set(name) & set("/\\") or name[0] == "." else ""


def _mix_contradictions(result: Result, mix: Mix, rank: int) -> Iterator[str]:
    reference, names = result.reference, result.names
    if mix.rank != rank:
        yield f"rank = {mix.rank}: expected {rank}"
    if mix.file != ("reference.wav" if rank == 0 else f"mix-{rank:02d}.wav"):
        yield f"file = {shown(mix.file)}: is not the name of this mix"
    if [track.name for track in mix.tracks] != names:
        yield "tracks: are not those of the run"
        return
    for index, (track, placed) in enumerate(zip(result.tracks, mix.tracks, strict=True)):
        if set(placed.blend_db) - set(track.positions):
            yield f"tracks[{index}].blend_db: names positions that the track does not have"
        if (placed.seat is None) != (reference.tracks[index].seat is None):
            yield f"tracks[{index}].seat = {shown(placed.seat)}: is given in one mix only"
    if len(mix.maskers) != len(names) or any(len(row) != len(names) for row in mix.maskers):
        yield "maskers: is no square of tracks"
    for key in ("low_thirds_db", "thirds_db"):
        count = len(getattr(mix.figures, key))
        if count != len(getattr(reference.figures, key)):
            yield f"figures.{key}: has {count} values, unlike the reference"
    for key in ("rung", "nested", "path"):
        if rank and getattr(mix, key) is None:
            yield f"{key}: is missing"
    told = (*mix.steps, *((mix.microphones,) if mix.microphones else ()))
    heard = {name for step in told for name in step.audibility}
    if strangers := sorted({*mix.moved, *heard} - set(names)):
        yield f"path: names {', '.join(strangers)}, which the run does not have"
    if any(step.audibility.keys() != set(names) for step in told):
        yield "path: a step does not tell the audibility of every track"
    if mix.microphones and (mix.microphones.tracks or mix.microphones.freed):
        yield "microphones: moves or frees tracks by themselves"
    for number, step in enumerate(mix.steps):
        for index, freed in enumerate(step.freed):
            if wrong := _freed_contradiction(step, freed, names):
                yield f"path[{number}].freed[{index}]: {wrong}"
    if set(mix.terms) != set(reference.terms):
        yield "terms: are not those of the reference"


def _freed_contradiction(step: PathStep, freed: Freed, names: list[str]) -> str:
    """Why a step cannot have freed a layer from a track; "" where it can."""
    if strangers := sorted({freed.layer, freed.by} - set(names)):
        return f"names {', '.join(strangers)}, which the run does not have"
    if freed.layer == freed.by:
        return f"{shown(freed.layer)} would be freed from itself"
    if not {freed.layer, freed.by} & set(step.tracks):
        return f"neither {shown(freed.layer)} nor {shown(freed.by)} moves in this step"
    if freed.after >= freed.before:
        return f"after = {freed.after:g}: expected less than before, which is {freed.before:g}"
    return ""


def result_of(values: Any) -> Result:
    """A result from JSON values.

    Raises
    ------
    ValueError
        A value is missing or wrong, or two do not fit; the message names it.
    """
    try:
        result = msgspec.convert(values, Result)
    except ValidationError as error:
        raise ValueError(refusal(error, values)) from None
    if wrong := contradiction(result):
        raise ValueError(wrong)
    return result


def schema_of(values: Any) -> Any:
    """The schema that JSON values name; None where they name none."""
    return values.get("schema") if isinstance(values, Mapping) else None
