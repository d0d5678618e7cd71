"""What is shipped in `configs/` can be read, fits together and explains every key."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from demo.make import make
from placer.cue.read import read_cue
from placer.cue.records import LoudnessTarget, SearchSettings, TrackLimits, Weights
from placer.errors import CueError
from sim.room import Room

ROOT = Path(__file__).resolve().parents[1]
ROOMS = sorted((ROOT / "configs" / "rooms").glob("*.toml"))
ARRAYS = sorted((ROOT / "configs" / "microphones").glob("*.toml"))
EXAMPLES = sorted((ROOT / "configs" / "examples").glob("*.toml"))
SECTIONS_OF_A_LARGE_LINE_UP = ("violins_1", "basses", "harp", "timpani", "metals", "choir", "organ")


@pytest.fixture(scope="module")
def stems(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's stems, as short as can be."""
    out: Path = tmp_path_factory.mktemp("stems")
    make(out, seconds=2.0)
    return out


def _cue(stems: Path, head: str, sections: tuple[str, ...] = ("celli",)) -> Path:
    """Write a cue file of one stem seated in each of some sections."""
    tracks = [
        f'\n[[track]]\nname = "{name}"\nfile = "dry/horns.wav"\nsection = "{name}"'
        for name in sections
    ]
    path = stems / "some.toml"
    path.write_text(head + "".join(tracks), encoding="utf-8")
    return path


def _keys(table: dict[str, Any]) -> Iterator[str]:
    for key, value in table.items():
        yield key
        for part in value if isinstance(value, list) else [value]:
            if isinstance(part, dict):
                yield from _keys(part)


@pytest.mark.parametrize("room", ROOMS, ids=lambda path: str(path.stem))
def test_each_room_holds_the_usual_arrays(stems: Path, room: Path) -> None:
    """The room's file is complete and the default microphones stand inside it."""
    cue = read_cue(_cue(stems, f'[room]\nfile = "rooms/{room.name}"\n'))
    text = room.read_text(encoding="utf-8")
    assert "typical values" in text.splitlines()[0]
    assert "Why:" in text
    for name in ("width", "depth", "height", "conductor", "temperature", "humidity"):
        assert f"\n{name} = {getattr(cue.room, name):.1f}" in text
    assert ("\nreverberation_time" in text) != ("\n[surfaces]" in text)


@pytest.mark.parametrize("room", ROOMS, ids=lambda path: str(path.stem))
def test_a_whole_orchestra_fits_all_rooms_but_the_small_studio(stems: Path, room: Path) -> None:
    """Usual seats lie inside; in the small studio the first that does not is named."""
    path = _cue(stems, f'[room]\nfile = "rooms/{room.name}"\n', SECTIONS_OF_A_LARGE_LINE_UP)
    if room.stem == "small_studio":
        with pytest.raises(CueError, match="outside the room"):
            read_cue(path)
    else:
        assert len(read_cue(path).tracks) == len(SECTIONS_OF_A_LARGE_LINE_UP)


def test_rooms_differ_as_their_names_say() -> None:
    """From the small studio to the church: longer; the concert hall has the greatest volume."""

    def room(name: str) -> Room:
        text = (ROOT / "configs" / "rooms" / f"{name}.toml").read_text(encoding="utf-8")
        values = tomllib.loads(text)
        values["reverberation_time"] = tuple(values["reverberation_time"])
        return Room(**values)

    rising = ("small_studio", "chamber_hall", "scoring_stage", "shoebox_hall", "large_concert_hall")
    times = [(room(name).reverberation_time or ())[3] for name in (*rising, "stone_church")]
    assert times == sorted(times)
    assert len(set(times)) == len(times)
    assert max(rising, key=lambda name: room(name).volume) == "large_concert_hall"


@pytest.mark.parametrize("arrays", ARRAYS, ids=lambda path: str(path.stem))
def test_each_array_stands_in_the_usual_room(stems: Path, arrays: Path) -> None:
    """Every key of every array is written, so that the file explains itself."""
    cue = read_cue(_cue(stems, f'[microphones]\nfile = "microphones/{arrays.name}"\n'))
    text = arrays.read_text(encoding="utf-8")
    assert "typical values" in text.split("Why:")[0]
    for part in (cue.arrays.tree, cue.arrays.outriggers, cue.arrays.hall, cue.arrays.close):
        for field in fields(part):
            assert f"\n{field.name} = {getattr(part, field.name):.1f}" in text, field.name


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda path: str(path.stem))
def test_each_example_can_be_read(stems: Path, example: Path) -> None:
    """With the demo's stems in place an example is a valid cue of the kinds it promises."""
    path = stems / example.name
    text = example.read_text(encoding="utf-8")
    path.write_text(text.replace("../../demo/out/", ""), encoding="utf-8")
    kinds = {track.kind for track in read_cue(path).tracks}
    promised = {
        "dry": {"dry"},
        "recorded": {"recorded", "direct"},
        "mixed": {"dry", "recorded", "direct"},
    }
    assert kinds == promised[example.stem]


def test_the_dry_example_explains_every_key() -> None:
    """What a record has, the example shows: nothing can be set that is not explained."""
    text = (ROOT / "configs" / "examples" / "dry.toml").read_text(encoding="utf-8")
    shown = set(_keys(tomllib.loads(text)))
    for record in (LoudnessTarget, SearchSettings, Weights, TrackLimits):
        assert {field.name for field in fields(record)} <= shown, record
    assert {"seat", "pan", "width", "blend", "aligned", "source_width", "family"} <= shown
    assert {"locks", "fixed", "group", "priority", "section", "role", "limits"} <= shown
    assert {"bus", "foreground", "hear"} <= shown


def test_the_dry_example_is_written_at_the_defaults() -> None:
    """The example calls its values defaults: those of search and weights are."""
    text = (ROOT / "configs" / "examples" / "dry.toml").read_text(encoding="utf-8")
    cue = tomllib.loads(text)
    for record, table in ((SearchSettings(), cue["search"]), (Weights(), cue["weights"])):
        for field in fields(record):
            usual = getattr(record, field.name)
            if usual != ():  # the geometries to choose from are empty by default
                usual = list(usual) if isinstance(usual, tuple) else usual
                assert table[field.name] == usual, field.name
