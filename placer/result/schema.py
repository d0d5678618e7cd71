"""Whether a result.json is one that this version wrote: checked once, so that all may trust it.

*Conventions*: a shape is a check of one value (a function that gives "" or what is wrong), a list
of one shape, or a mapping of keys to shapes; keys that a shape does not name are left alone.
Numbers are finite. Names become file names, so they must be plain ones.

`problem`: the first thing that is wrong with a result, as "key = value: what is allowed", or "".
`misfit`: the same for any shape.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from placer.cue.toml_table import shown
from placer.result.facts import OWN_RANK, RUNG_WORDS

Check = Callable[[Any], str]
LONGEST_NAME = 200
"""Bytes; with an ending it stays below the 255 of most file systems."""
KINDS = ("dry", "recorded", "direct")
OWN_FILE = "compare.wav"
"""The composer's own mix in a run folder."""
LARGEST = 1e12
"""No figure of a result comes near this; beyond, rounding to text or to whole numbers may fail."""


def number(value: Any) -> str:
    """Tell whether it is a finite number of a sensible size."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return "is no number"
    if not -LARGEST <= value <= LARGEST:  # NaN is neither
        return "is not finite or far too large"
    return ""


def whole(value: Any) -> str:
    """Tell whether it is a whole number, 0 or more."""
    fits = isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= LARGEST
    return "" if fits else "is no whole number of 0 or more"


def version(value: Any) -> str:
    """Tell whether it is the rank of something that one can listen to."""
    return "" if value == OWN_RANK and not isinstance(value, bool) else whole(value)


def text(value: Any) -> str:
    """Tell whether it is text that can be written as UTF-8."""
    if not isinstance(value, str):
        return "is no text"
    halves = any("\ud800" <= sign <= "\udfff" for sign in value)
    return "holds half a character" if halves else ""


def anything(_: Any) -> str:
    """Take any value."""
    return ""


def flag(value: Any) -> str:
    """Tell whether it is true or false."""
    return "" if isinstance(value, bool) else "is neither true nor false"


def name(value: Any) -> str:
    """Tell whether it is a name that stays in its folder when a file gets it."""
    if wrong := text(value):
        return wrong
    if not value.isprintable() or not value.strip() or len(value.encode()) > LONGEST_NAME:
        return "is empty, too long or holds characters that cannot be printed"
    return "would leave its folder" if set(value) & set("/\\") or value[0] == "." else ""


def _above_zero(value: Any) -> str:
    return number(value) or ("" if value > 0 else "is not above 0")


def _kind(value: Any) -> str:
    return "" if value in KINDS else f"is no kind of track; allowed: {', '.join(KINDS)}"


def _rung(value: Any) -> str:
    known = isinstance(value, str) and value in RUNG_WORDS
    return "" if known else f"is no rung; allowed: {', '.join(RUNG_WORDS)}"


class Maybe:
    """A shape, or None."""

    def __init__(self, shape: Any) -> None:
        self.shape = shape


class Free:
    """A mapping with free names as keys, all values of one shape."""

    def __init__(self, shape: Any) -> None:
        self.shape = shape


PLACED = {
    "name": name, "seat": Maybe([number]), "pan": number, "width": number, "aligned": flag,
    "close_delay_ms": number, "blend_db": Free(Maybe(number)), "make_up_db": number,
    "lateral_deg": number, "drr_db": number, "c80_db": number, "audibility": number,
    "side_db": number, "room_side_db": number,
    "hidden_by": [text], "free": [text], "terms": Free(number),
}  # fmt: skip
FIGURES = {
    "low_thirds_db": [number], "left_right_db": number, "left_right_low_db": number,
    "mono_loss_db": number, "late_db": number, "thirds_db": [number],
}  # fmt: skip
MIX = {
    "rank": whole, "file": name, "cost": number, "terms": Free(number), "feasible": flag,
    "violations": Free(number), "figures": FIGURES, "lufs": number, "true_peak_dbtp": number,
    "gain_db": number, "missed_lu": number, "shared": Free(number), "words": text,
    "tracks": [PLACED], "maskers": [[number]],
}  # fmt: skip
STEP = {"tracks": [text], "cost": number, "audibility": Free(number)}
"""One step of a path."""
PATH = {"rung": _rung, "nested": flag, "path": [STEP]}
"""What a mix has and the reference has not."""
OWN = {
    "rank": version, "file": name, "source": text, "hash": text, "lufs": number,
    "true_peak_dbtp": number, "gain_db": number, "missed_lu": number,
}  # fmt: skip
"""The composer's own mix, "compare", where there is one."""
PAIR = {"spacing": number, "height": number, "y": number}
RESULT = {
    "cue": {"name": text, "path": text, "hash": text},
    "sample_rate": _above_zero, "seconds": _above_zero, "excerpt": Maybe([number]), "seed": whole,
    "room": {
        "width": _above_zero, "depth": _above_zero, "height": _above_zero, "conductor": number,
    },
    "arrays": {
        "tree": {**PAIR, "forward": number}, "outriggers": PAIR, "hall": PAIR,
        "close": {"distance": number, "height": number},
    },
    "loudness": {"target_lufs": number, "ceiling_dbtp": number},
    "limits": {"low_db": number, "side_db": number, "room_side_db": number},
    "tracks": [{
        "name": name, "kind": _kind, "section": text, "role": text, "positions": [text],
        "priority": number, "fixed": flag, "group": text, "bus": text, "foreground": flag,
        "files": [text],
        "area": Maybe([number]),
    }],
    "reference": MIX, "mixes": [MIX],
    "search": {
        "trials": whole, "evaluations": whole, "history": [[number]], "workers": whole,
    },
    "notes": [text], "warnings": [text],
}  # fmt: skip


def problem(result: Any) -> str:
    """Say what is wrong first, or "" where a result is whole.

    Parameters
    ----------
    result : any JSON value

    Returns
    -------
    str
        "mixes[0].cost = 'x': is no number", for example.
    """
    return misfit(result, RESULT) or next(_contradictions(result), "")


def misfit(value: Any, shape: Any) -> str:
    """Say where a JSON value does not fit a shape, or "" where it does."""
    return next(_problems(value, shape, ""), "")


def _problems(value: Any, shape: Any, where: str) -> Iterator[str]:
    """Everything that does not fit its shape."""
    if isinstance(shape, Maybe):
        if value is not None:
            yield from _problems(value, shape.shape, where)
    elif isinstance(shape, Free | Mapping):
        yield from _keys(value, shape, where)
    elif isinstance(shape, list):
        if isinstance(value, list):
            for index, one in enumerate(value):
                yield from _problems(one, shape[0], f"{where}[{index}]")
        else:
            yield f"{where} = {shown(value)}: is no list"
    elif wrong := shape(value):
        yield f"{where} = {shown(value)}: {wrong}"


def _keys(value: Any, shape: Any, where: str) -> Iterator[str]:
    """What is wrong with the values of a mapping."""
    if not isinstance(value, dict):
        yield f"{where or 'the file'} = {shown(value)}: is no table of keys"
        return
    dot = f"{where}." if where else ""
    for key in value if isinstance(shape, Free) else shape:
        if key not in value:
            yield f"{dot}{key}: is missing"
        elif wrong := text(key):
            yield f"{dot}{shown(key)}: {wrong}"
        else:
            inner = shape.shape if isinstance(shape, Free) else shape[key]
            yield from _problems(value[key], inner, f"{dot}{key}")


def _contradictions(result: Mapping[str, Any]) -> Iterator[str]:
    """Values that are right by themselves and do not fit one another."""
    names = [track["name"] for track in result["tracks"]]
    if not names or len(set(names)) < len(names):
        yield "tracks: there are none, or two have one name"
    for place, length in (("excerpt", 2), *((f"tracks[{i}].area", 4) for i in range(len(names)))):
        found = result["excerpt"] if place == "excerpt" else _track(result, place)["area"]
        if found is not None and len(found) != length:
            yield f"{place} = {shown(found)}: has {len(found)} numbers, allowed: {length}"
    if any(len(row) != 2 for row in result["search"]["history"]):
        yield "search.history: is no list of pairs"
    if wrong := number(result["search"].get("seconds", 0.0)):
        yield f"search.seconds = {shown(result['search']['seconds'])}: {wrong}"
    for rank, mix in enumerate((result["reference"], *result["mixes"])):
        where = f"mixes[{rank - 1}]" if rank else "reference"
        yield from (f"{where}.{wrong}" for wrong in _mix(result, mix, rank))
    own = result.get("compare")
    if wrong := misfit(own, Maybe(OWN)):
        yield f"compare.{wrong}"
    elif own and (own["rank"], own["file"]) != (OWN_RANK, OWN_FILE):
        yield f"compare: has rank {own['rank']} and file {shown(own['file'])}"
    weights = result.get("weights")
    if weights is not None and (wrong := next(_problems(weights, Free(number), "weights"), "")):
        yield wrong
    if weights is not None and not (weights and all(value >= 0 for value in weights.values())):
        yield "weights: there are none, or one is negative"


def _track(result: Mapping[str, Any], place: str) -> Mapping[str, Any]:
    found: Mapping[str, Any] = result["tracks"][int(place[place.index("[") + 1 : place.index("]")])]
    return found


def _strangers(mix: Any, tracks: Any) -> str:
    """Names of a path that are no tracks, "" if all are."""
    steps = mix.get("path", [])
    named = {name for step in steps for name in (*step["tracks"], *step["audibility"])}
    return ", ".join(sorted(named - {track["name"] for track in tracks}))


def _mix(result: Mapping[str, Any], mix: Mapping[str, Any], rank: int) -> Iterator[str]:
    """What does not fit in one mix."""
    tracks, figures = result["tracks"], mix["figures"]
    if mix["rank"] != rank:
        yield f"rank = {mix['rank']}: expected {rank}"
    if mix["file"] != ("reference.wav" if rank == 0 else f"mix-{rank:02d}.wav"):
        yield f"file = {shown(mix['file'])}: is not the name of this mix"
    if [one["name"] for one in mix["tracks"]] != [one["name"] for one in tracks]:
        yield "tracks: are not those of the run"
        return
    for index, (track, placed) in enumerate(zip(tracks, mix["tracks"], strict=True)):
        if set(placed["blend_db"]) - set(track["positions"]):
            yield f"tracks[{index}].blend_db: names positions that the track does not have"
        if (placed["seat"] is None) != (result["reference"]["tracks"][index]["seat"] is None):
            yield f"tracks[{index}].seat = {shown(placed['seat'])}: is given in one mix only"
        if placed["seat"] is not None and len(placed["seat"]) != 2:
            yield f"tracks[{index}].seat = {shown(placed['seat'])}: is no pair"
        if abs(placed["pan"]) > 1.0:
            yield f"tracks[{index}].pan = {placed['pan']}: allowed: -1 to 1"
    if len(mix["maskers"]) != len(tracks) or any(len(row) != len(tracks) for row in mix["maskers"]):
        yield "maskers: is no square of tracks"
    for key in ("low_thirds_db", "thirds_db"):
        if len(figures[key]) != len(result["reference"]["figures"][key]) or not figures[key]:
            yield f"figures.{key}: has {len(figures[key])} values, unlike the reference"
    if wrong := misfit(mix, PATH) if rank else "":
        yield wrong
    elif _strangers(mix, tracks):
        yield f"path: names {_strangers(mix, tracks)}, which the run does not have"
    if set(mix["terms"]) != set(result["reference"]["terms"]):
        yield "terms: are not those of the reference"
