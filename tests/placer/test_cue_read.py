"""A cue file says what it means, gets what it leaves out, and each mistake is one clear line."""

from __future__ import annotations

import dataclasses
import string
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from placer.cue.configs import configs_folder, read_roles, read_seating
from placer.cue.names import made_safe, name_problem, same_name
from placer.cue.read import read_cue
from placer.cue.records import LOCKS, OFF_DB, LoudnessTarget, SearchSettings, Weights
from placer.cue.starts import Surroundings
from placer.errors import CueError
from sim.directivity import FAMILIES
from sim.microphones import Arrays
from sim.room import Room

DRY = '[[track]]\nname = "Celli ost"\nfile = "celli.wav"\nsection = "celli"\nrole = "ostinato"\n'
RECORDED = '[[track]]\nname = "Horns"\npositions = { close = "a.wav", tree = "b.wav" }\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a folder with files that a cue file can name (the reader looks only for them)."""
    for name in ("celli.wav", "a.wav", "b.wav", "c.wav"):
        (tmp_path / name).write_bytes(b"sound")
    return tmp_path


def cue(folder: Path, text: str):
    path = folder / "cue.toml"
    path.write_text(text, encoding="utf-8")
    return read_cue(path)


def test_what_is_left_out_comes_from_the_records(folder: Path) -> None:
    """One track of one file is a whole cue file; all else is the records' default."""
    read = cue(folder, DRY)
    assert read.name == "cue"
    assert (read.room, read.arrays) == (Room(), Arrays())
    assert (read.search, read.weights) == (SearchSettings(), Weights())
    assert (read.loudness, read.excerpt, read.sample_rate) == (LoudnessTarget(), None, 48000)
    assert read.roles == (("ostinato", 0.9, 1.0),)


def test_a_dry_track_starts_where_its_section_sits(folder: Path) -> None:
    """Seat, width, family and blend come from the usual seating; it is not turned."""
    track = cue(folder, DRY).tracks[0]
    usual = read_seating().sections["celli"]
    assert (track.kind, track.files) == ("dry", (folder / "celli.wav",))
    assert (track.start.seat, track.start.pan) == (usual.seat, 0.0)
    assert track.positions == ("close", "tree", "outriggers", "hall")
    assert track.start.blend_db == tuple(usual.blend_db[name] for name in track.positions)
    assert (track.family, track.source_width) == ("strings", usual.source_width)


def test_the_free_area_is_the_reach_around_the_start_on_the_stage(folder: Path) -> None:
    """Reach 8 m is cut at the walls (0.5 m off) and at the front of the stage."""
    area = cue(folder, DRY + "seat = [6, 4]").tracks[0].limits.area
    room = Room()
    assert area == (-2.0, room.width / 2 - 0.5, 0.5, 12.0)
    near = cue(folder, DRY + "seat = [6, 4]\n[search]\nreach = 1.5").tracks[0].limits.area
    assert near == (4.5, 7.5, 2.5, 5.5)
    behind = cue(folder, DRY + "seat = [0, -3]\n").tracks[0].limits.area
    assert behind[2] == -3.0


def test_a_recorded_track_keeps_its_place(folder: Path) -> None:
    """One file a position, as it was recorded: no seat, every position at 0 dB."""
    track = cue(folder, RECORDED + "section = 'horns'\nblend = { close = -4.5 }").tracks[0]
    assert (track.kind, track.positions) == ("recorded", ("close", "tree"))
    assert track.files == (folder / "a.wav", folder / "b.wav")
    assert track.start.seat is None
    assert track.start.blend_db == (-4.5, 0.0)
    assert (track.start.pan, track.start.width) == (0.0, 1.0)


def test_fixed_tracks(folder: Path) -> None:
    """Without a seat a fixed file is heard as it is; with one it is heard from there."""
    text = DRY + RECORDED + "fixed = true\n[[track]]\nname = 'Vox'\nfile = 'c.wav'\nfixed = true\n"
    moving, recorded, direct = cue(folder, text).tracks
    assert (moving.fixed, recorded.fixed, direct.fixed) == (False, True, True)
    assert (recorded.kind, direct.kind) == ("recorded", "direct")
    assert direct.start.seat is None
    seated = cue(folder, text + "seat = [1, 2]").tracks[2]
    assert (seated.kind, seated.start.seat) == ("dry", (1.0, 2.0))


def test_everything_can_be_said(folder: Path) -> None:
    """Every key of the file arrives in its record."""
    read = cue(
        folder,
        """
        [cue]
        name = "Größe 7"
        sample_rate = 44100
        excerpt = [10, 25.5]
        excerpt_length = 12
        [loudness]
        target_lufs = -18
        ceiling_dbtp = -2
        [room]
        width = 20
        depth = 30
        height = 10
        conductor = 12
        reverberation_time = [2, 2, 2, 1.8, 1.6, 1.2, 0.8]
        [microphones.tree]
        spacing = 1.6
        [microphones.hall]
        y = -7.5
        [search]
        trials = 3
        seed = 9
        drier_db = 5
        tree_height = [2.5, 3.5]
        [weights]
        seating = 0
        [[track]]
        name = "Celli"
        file = "celli.wav"
        section = "celli"
        role = "melody"
        priority = 2.5
        group = "low"
        seat = [3, 4]
        pan = 0.25
        width = 0.5
        blend = { close = -90, hall = -3 }
        aligned = true
        source_width = 2.5
        family = "plucked"
        limits = { area = [1, 5, 2, 6], gain_db = [-12, 3], pan = [-0.5, 0.5], width = [0.5, 1] }
        locks = ["width", "seat"]
        """,
    )
    assert (read.name, read.sample_rate, read.excerpt) == ("Größe 7", 44100, (10.0, 25.5))
    assert (read.excerpt_length, read.loudness) == (12.0, LoudnessTarget(-18.0, -2.0))
    assert read.room.reverberation_time == (2.0, 2.0, 2.0, 1.8, 1.6, 1.2, 0.8)
    assert (read.room.dimensions, read.room.conductor) == ((20.0, 30.0, 10.0), 12.0)
    assert read.arrays.tree == dataclasses.replace(Arrays().tree, spacing=1.6)
    assert read.arrays.hall == dataclasses.replace(Arrays().hall, y=-7.5)
    assert (read.search.trials, read.search.seed, read.search.drier_db) == (3, 9, 5.0)
    assert read.search.tree_height == (2.5, 3.5)
    assert read.weights == Weights(seating=0.0)
    track = read.tracks[0]
    assert (track.role, track.priority, track.group) == ("melody", 2.5, "low")
    assert (track.start.seat, track.start.pan, track.start.width) == ((3.0, 4.0), 0.25, 0.5)
    assert track.start.aligned
    assert track.start.blend_db == (OFF_DB, 0.0, -4.0, -3.0)
    assert (track.source_width, track.family) == (2.5, "plucked")
    limits = track.limits
    assert (limits.area, limits.gain_db) == ((1.0, 5.0, 2.0, 6.0), (-12.0, 3.0))
    assert (limits.pan, limits.width) == ((-0.5, 0.5), (0.5, 1.0))
    assert track.locks == {"width", "seat"}


def test_a_track_that_stays_holds_every_setting(folder: Path) -> None:
    """One key is all locks at once; a recorded track has no seat to hold; false holds nothing."""
    more = '\n[[track]]\nname = "b"\n'
    read = cue(
        folder,
        DRY + "stay = true" + more + "file = 'celli.wav'\nstay = false" + more.replace("b", "c")
        + "positions = { close = 'celli.wav' }\nstay = true",
    )  # fmt: skip
    dry, moving, recorded = read.tracks
    assert dry.locks == set(LOCKS)
    assert recorded.locks == {"blend", "pan", "width", "delay"}
    assert dry.free == recorded.free == ()
    assert not dry.fixed  # judged like the others
    assert moving.free == LOCKS
    assert moving.locks == frozenset()


def test_what_carries_the_music_can_be_said(folder: Path) -> None:
    """`hear` names those that do, in any case; a track's own word wins; else it is left open."""
    rest = "\n[[track]]\nname = 'B'\nfile = 'a.wav'\n[[track]]\nname = 'C'\nfile = 'b.wav'\n"
    text = "[cue]\nhear = ['CELLI OST', 'c']\n" + DRY + rest
    assert [one.foreground for one in cue(folder, text).tracks] == [True, False, True]
    own = cue(folder, text + "foreground = false").tracks
    assert [one.foreground for one in own] == [True, False, False]
    assert [one.foreground for one in cue(folder, DRY + "foreground = true" + rest).tracks] == [
        True, None, None,
    ]  # fmt: skip


def test_tracks_of_one_bus_and_how_far_a_search_goes(folder: Path) -> None:
    """A bus by name, none where none is said; rungs in their own order, whatever the file's."""
    read = cue(
        folder,
        "[search]\nrungs = ['clearest', 'few']\nmoves = 5\nmost_gain_db = 6\ncontrast_db = 1.5\n"
        + DRY + "bus = 'low strings'\n" + RECORDED,
    )  # fmt: skip
    assert [one.bus for one in read.tracks] == ["low strings", ""]
    assert read.search.rungs == ("few", "clearest")
    assert (read.search.moves, read.search.most_gain_db, read.search.contrast_db) == (5, 6.0, 1.5)


def test_files_named_by_the_cue(folder: Path) -> None:
    """Rooms, microphones and weights from files, beside the cue or shipped; keys beside win."""
    (folder / "room.toml").write_text("[room]\nwidth = 18\nheight = 9")
    (folder / "learned.toml").write_text("overlap = 0.7\nmono = 0.2")
    shipped = sorted((configs_folder() / "microphones").glob("*.toml"))[0]
    read = cue(
        folder,
        f"""
        [room]
        file = "room.toml"
        height = 8
        [microphones]
        file = "microphones/{shipped.name}"
        close.distance = 0.9
        [weights]
        file = "learned.toml"
        mono = 0.3
        {DRY}
        """,
    )
    assert (read.room.width, read.room.height) == (18.0, 8.0)
    assert read.arrays.close.distance == 0.9
    assert read.weights == Weights(overlap=0.7, mono=0.3)


def test_surfaces_replace_times(folder: Path) -> None:
    """Walls of named materials stand in for a wanted reverberation time."""
    walls = "\n".join(
        f'{wall} = "wooden_lining"'
        for wall in ("floor", "ceiling", "left", "right", "front", "back")
    )
    room = cue(folder, f"[room.surfaces]\n{walls}\n{DRY}").room
    assert room.reverberation_time is None
    assert dict(room.surfaces or ())["back"] == "wooden_lining"


@pytest.mark.parametrize("kind", ["rooms", "microphones"])
def test_every_shipped_room_and_array_can_be_read(folder: Path, kind: str) -> None:
    """Each in its default surroundings."""
    files = sorted((configs_folder() / kind).glob("*.toml"))
    assert files
    for file in files:
        key = {"rooms": "room", "microphones": "microphones"}[kind]
        cue(folder, f"[{key}]\nfile = '{kind}/{file.name}'\n{DRY}")


def test_usual_seatings_fit_the_default_room() -> None:
    """Every section sits on the stage of the default room, in a known family, tree at 0 dB."""
    seating, room = read_seating(), Room()
    left, right, _, back = Surroundings(room, 8.0, seating, read_roles()).floor
    assert len(seating.sections) > 35
    for section in seating.sections.values():
        assert left <= section.seat[0] <= right
        assert 0.5 <= section.seat[1] <= back
        assert section.family in FAMILIES
        assert section.blend_db["tree"] == 0.0
        assert section.blend_db["close"] < -5.0


def test_violins_left_low_strings_right_brass_behind() -> None:
    """The picture that everybody knows."""
    seats = {name: section.seat for name, section in read_seating().sections.items()}
    assert seats["violins_1"][0] < seats["violins_2"][0] < 0 < seats["celli"][0]
    assert seats["celli"][0] < seats["basses"][0]
    for name in ("horns", "trumpets", "trombones", "tuba", "timpani", "choir"):
        assert seats[name][1] > seats["flutes"][1] > seats["violas"][1]


def test_a_seating_file_places_sections_and_single_tracks(folder: Path) -> None:
    """What an earlier search found is where this cue starts; the cue file itself still wins."""
    (folder / "mine.toml").write_text(
        """
        [section.celli]
        seat = [-3, 3]
        blend = { tree = 0, hall = 2 }
        [track."celli OST"]
        seat = [2.5, 6]
        blend = { close = -20 }
        pan = -0.1
        width = 0.8
        aligned = true
        source_width = 1
        """
    )
    text = "[seating]\nfile = 'mine.toml'\n" + DRY + "\n[[track]]\nname = 'B'\nfile = 'a.wav'\n"
    first, second = cue(folder, text + "section = 'celli'").tracks
    assert first.start.seat == (2.5, 6.0)
    assert (first.start.pan, first.start.width, first.start.aligned) == (-0.1, 0.8, True)
    assert first.start.blend_db == (-20.0, 0.0, OFF_DB, 2.0)
    assert first.source_width == 1.0
    assert second.start.seat == (-3.0, 3.0)
    again = cue(folder, text.replace('role = "ostinato"', "seat = [1, 1]")).tracks[0]
    assert again.start.seat == (1.0, 1.0)


def test_cue_files_that_call_the_hall_ambient_are_still_read(folder: Path) -> None:
    """Positions, blends, arrays and distances by their earlier name; free names stay."""
    text = """
        [search]
        ambient_distance = [6, 8]
        [microphones.ambient]
        y = -7.5
        [[track]]
        name = "ambient"
        positions = { tree = "a.wav", ambient = "b.wav" }
        blend = { ambient = -4 }
        [[track]]
        name = "both"
        positions = { hall = "a.wav", ambient = "b.wav" }
        """
    read = cue(folder, text)
    assert read.search.hall_distance == (6.0, 8.0)
    assert read.arrays.hall.y == -7.5
    assert read.tracks[0].name == "ambient"
    assert read.tracks[0].positions == ("tree", "hall")
    assert read.tracks[0].start.blend_db == (0.0, -4.0)
    assert read.tracks[1].positions == ("hall", "ambient")


def test_usual_starts_give_way_to_given_limits(folder: Path) -> None:
    """Who only draws an area gets a start inside it; only two given values can contradict."""
    limits = "limits = { area = [-4, -2, 6, 9], gain_db = [-6, 0], pan = [0, 0.2] }"
    track = cue(folder, DRY + limits).tracks[0]
    assert track.start.seat == (-2.0, 6.0)
    assert track.start.blend_db == (-6.0, 0.0, -4.0, -6.0)
    assert track.start.pan == 0.0
    wide = cue(folder, DRY + "blend = { close = -30, tree = 9 }\nwidth = 1.5").tracks[0]
    assert (wide.limits.gain_db, wide.limits.width) == ((-30.0, 9.0), (0.3, 1.5))


BAD = {
    "syntax": ("[cue\n", r"not valid TOML: line 1, \[cue: a closing bracket is missing"),
    "key twice": ("[cue]\nname='a'\nname='b'\n" + DRY, "line 3, name='b': this is given twice"),
    "no tracks": ("[cue]\nname = 'x'", r"track: is missing; write a \[\[track\]\]"),
    "track is a table": ("[track]\nname = 'x'", "track.*is no list of tables"),
    "table is a number": ("room = 3\n" + DRY, r"room = 3: is no table; write \[room\]"),
    "unknown table": ("[weight]\n" + DRY, "weight: is no key.*did you mean weights"),
    "unknown key": (
        "[loudness]\ntarget = -20\n" + DRY,
        "target: is no key.*did you mean target_lufs",
    ),
    "unknown weight": ("[weights]\nmoon = 1\n" + DRY, "weights.moon: .*did you mean mono"),
    "weird key": ('[cue]\n"a\\nb" = 1\n' + DRY, r"cue.'a\\nb': is no key"),
    "unknown track key": (DRY + "sat = [1, 2]", "track 'Celli ost': sat: .*did you mean seat"),
    "unknown limit": (DRY + "limits = { aera = [0, 1, 2, 3] }", "limits.aera.*did you mean area"),
    "text for number": (DRY + "priority = '1'", "priority = '1': is no number.*without quotes"),
    "unit in number": ("[room]\nwidth = '20 m'\n" + DRY, "room.width = '20 m': is no number"),
    "true for number": (DRY + "priority = true", "priority = true: is no number"),
    "fraction for whole": ("[search]\ntrials = 1.5\n" + DRY, "search.trials = 1.5: is no whole"),
    "true for whole": ("[search]\nseed = true\n" + DRY, "search.seed = true: is no whole number"),
    "number for text": (DRY.replace('"ostinato"', "1"), "role = 1: is no text"),
    "number for flag": (DRY + "fixed = 1", "fixed = 1: is neither true nor false"),
    "number for list": (DRY + "seat = 3", "seat = 3: is no list of 2 numbers"),
    "three for two": (DRY + "seat = [1, 2, 3]", "is no list of 2 numbers"),
    "date": ("[cue]\nexcerpt_length = 2020-01-01\n" + DRY, "excerpt_length = .*is no number"),
    "nan": ("[loudness]\ntarget_lufs = nan\n" + DRY, "target_lufs = nan: is out of range"),
    "infinite weight": ("[weights]\nmono = inf\n" + DRY, "weights.mono = inf: is out of range"),
    "huge whole number": ("[search]\nseed = 1" + "0" * 400 + "\n" + DRY, "is out of range"),
    "too many digits": ("[search]\nseed = 1" + "0" * 5000 + "\n" + DRY, "not valid TOML"),
    "deep nesting": ("x = " + "[" * 5000, "not valid TOML"),
    "zero room": (
        "[room]\nwidth = 0\n" + DRY,
        "room.width = 0: is out of range; allowed: 2 to 200",
    ),
    "three files for one": (
        '[[track]]\nname = "a"\nfile = ["a.wav", "b.wav", "c.wav"]\n',
        "lists two mono files, left then right",
    ),
    "one side twice": (
        '[[track]]\nname = "a"\nfile = ["a.wav", "a.wav"]\n',
        "names one word twice",
    ),
    "a side in two positions": (
        '[[track]]\nname = "a"\npositions = { close = "a.wav", tree = ["b.wav", "a.wav"] }\n',
        "names one file twice",
    ),
    "a side that is missing": (
        '[[track]]\nname = "a"\npositions = { tree = ["a.wav", "bb.wav"] }\n',
        "no such file; did you mean b.wav",
    ),
    "hears what is no track": (
        "[cue]\nhear = ['Celli ost', 'Horn']\n" + DRY + RECORDED,
        r"cue.hear = .*'Horn' is no track; did you mean Horns",
    ),
    "hear no list": ("[cue]\nhear = 'Celli ost'\n" + DRY, "cue.hear = .*is no list of words"),
    "hear one twice": ("[cue]\nhear = ['a', 'a']\n" + DRY, "names one word twice"),
    "foreground no flag": (DRY + "foreground = 1", "foreground = 1: is neither true nor false"),
    "bus no text": (DRY + "bus = 3", "bus = 3: is no text"),
    "unknown rung": (
        "[search]\nrungs = ['fewer']\n" + DRY,
        "search.rungs = .*'fewer' is not known; did you mean few",
    ),
    "no rungs": (
        "[search]\nrungs = []\n" + DRY,
        r"search.rungs = \[\]: is empty; name some of few",
    ),
    "half a move": ("[search]\nmoves = 0.5\n" + DRY, "search.moves = 0.5: is no whole number"),
    "no gain at all": ("[search]\nmost_gain_db = 0\n" + DRY, "most_gain_db = 0: is out of range"),
    "negative priority": (DRY + "priority = -1", "priority = -1: is out of range"),
    "all weights zero": (
        "[weights]\n" + "".join(f"{f.name} = 0\n" for f in dataclasses.fields(Weights)) + DRY,
        "all weights are 0",
    ),
    "no way of listening": (
        "[search]\nheadphones = 0\nloudspeakers = 0\n" + DRY,
        "search.headphones = 0: and search.loudspeakers are both 0",
    ),
    "conductor outside": (
        "[room]\nconductor = 40\n" + DRY,
        "conductor = 40.* lies outside the room",
    ),
    "impossible time": (
        "[room]\nreverberation_time = [9, 9, 9, 9, 9, 9, 9]\n" + DRY,
        "room.reverberation_time",
    ),
    "six times": ("[room]\nreverberation_time = [1, 1, 1, 1, 1, 1]\n" + DRY, "has 6 values"),
    "times and surfaces": (
        "[room]\nreverberation_time = [1,1,1,1,1,1,1]\n[room.surfaces]\nfloor='x'\nceiling='x'\n"
        "left='x'\nright='x'\nfront='x'\nback='x'\n" + DRY,
        "both given",
    ),
    "unknown material": (
        "[room.surfaces]\nfloor='wood'\nceiling='wood'\nleft='wood'\nright='wood'\nfront='wood'\n"
        "back='wood'\n" + DRY,
        "material 'wood' is not known",
    ),
    "missing wall": ("[room.surfaces]\nfloor='stage_floor'\n" + DRY, "surfaces.left: is missing"),
    "microphones outside": ("[microphones.hall]\ny = -30\n" + DRY, "microphones.hall at"),
    "microphone tried outside": (
        "[search]\ntree_height = [3, 20]\n" + DRY,
        r"search.tree_height = \[3, 20\]: 20 m lies outside",
    ),
    "missing room file": ("[room]\nfile = 'hall.toml'\n" + DRY, "room.file = 'hall.toml': no such"),
    "endless file name": (
        "[room]\nfile = '" + "x" * 500 + "'\n" + DRY,
        "room.file = .*cannot be read",
    ),
    "excerpt backwards": ("[cue]\nexcerpt = [9, 3]\n" + DRY, "excerpt = .*must rise by 1 s"),
    "low rate": ("[cue]\nsample_rate = 8000\n" + DRY, "sample_rate = 8000: .*32000 to 192000"),
    "name missing": ("[[track]]\nfile = 'a.wav'", "track 1: name: is missing"),
    "name empty": ("[[track]]\nname = ''\nfile = 'a.wav'", "name = '': is empty"),
    "name escapes": ("[[track]]\nname = '../x'\nfile = 'a.wav'", "becomes a file name"),
    "name absolute": ("[[track]]\nname = '/etc/x'\nfile = 'a.wav'", "becomes a file name"),
    "name is dots": ("[[track]]\nname = '..'\nfile = 'a.wav'", "full stop"),
    "name has control": ('[[track]]\nname = "a\\u0000b"\nfile = "a.wav"', "control characters"),
    "name turns around": ('[[track]]\nname = "a\\u202eb"\nfile = "a.wav"', "control characters"),
    "name is a device": ("[[track]]\nname = 'AUX.1'\nfile = 'a.wav'", "device"),
    "name too long": (f"[[track]]\nname = '{'ä' * 61}'\nfile = 'a.wav'", "longer than 120 bytes"),
    "cue name escapes": ("[cue]\nname = '../../x'\n" + DRY, "cue.name = .*becomes a file name"),
    "one name twice": (
        DRY + DRY.replace("Celli ost", "CELLI OST"),
        "also the name of track 'Celli",
    ),
    "no file": ("[[track]]\nname = 'x'", "give either file"),
    "file and positions": (RECORDED + "file = 'c.wav'", "give either file"),
    "no positions": ("[[track]]\nname = 'x'\npositions = {}", "positions = {}: is empty"),
    "missing file": (DRY.replace("celli.wav", "cello.wav"), "no such file; did you mean celli.wav"),
    "missing folder": (DRY.replace("celli.wav", "x/y.wav"), "no such file; no such folder"),
    "file is a folder": (DRY.replace("celli.wav", "."), "is not a file"),
    "file name too long": (DRY.replace("celli.wav", "x" * 500), "cannot be read"),
    "NUL in a file": (DRY.replace("celli.wav", "x\\u0000"), "control characters"),
    "one file twice": (RECORDED.replace("b.wav", "a.wav"), "names one file twice"),
    "position twice": (RECORDED.replace("tree", "Close"), "each named once"),
    "position escapes": (RECORDED.replace("tree", "'../x'"), "becomes a file name"),
    "unknown section": (DRY.replace('"celli"', '"cello"'), "section = 'cello'.*did you mean celli"),
    "unknown role": (DRY.replace("ostinato", "osti"), "role = 'osti'.*did you mean ostinato"),
    "unknown family": (DRY + "family = 'brss'", "family = 'brss'.*did you mean brass"),
    "seat outside": (DRY + "seat = [31, 2]", r"seat = \[31, 2\]: x = 31 m.*-11.5 to 11.5 m"),
    "seat behind the wall": (DRY + "seat = [1, 18]", "y = 18 m lies outside.*room.depth"),
    "usual seat outside": ("[room]\ndepth = 17\n" + DRY, "the usual seat .* of its section"),
    "seat of a recording": (RECORDED + "seat = [1, 2]", "a recorded track keeps its own place"),
    "area upside down": (DRY + "limits = { area = [3, 1, 2, 4] }", "upside down"),
    "area outside": (DRY + "limits = { area = [-30, 1, 2, 4] }", "left lies outside the room"),
    "area of a recording": (RECORDED + "limits = { area = [0, 1, 2, 3] }", "has no seat"),
    "start outside area": (
        DRY + "seat = [4, 4]\nlimits = { area = [-3, 1, 2, 6] }",
        "seat = .*lies outside limits.area",
    ),
    "gain limits fall": (DRY + "limits = { gain_db = [3, -3] }", "first is above the second"),
    "gain outside limits": (
        DRY + "blend = { tree = 3 }\nlimits = { gain_db = [-12, 0] }",
        "tree = 3 dB lies outside limits.gain_db",
    ),
    "pan outside limits": (
        DRY + "pan = 0.5\nlimits = { pan = [-1, 0] }",
        "lies outside limits.pan",
    ),
    "pan too far": (DRY + "pan = 30", "pan = 30: is out of range; allowed: -1 to 1"),
    "unknown position": (DRY + "blend = { room = 0 }", "blend.room: is no key"),
    "all positions off": (
        RECORDED + "blend = { close = -60, tree = -99 }",
        "every position is off",
    ),
    "unknown lock": (
        DRY + "locks = ['seats']",
        r"locks = .*'seats' is not known; did you mean seat",
    ),
    "lock twice": (DRY + "locks = ['pan', 'pan']", "names one word twice"),
    "locks no list": (DRY + "locks = 'pan'", "is no list of words"),
    "seat lock of a recording": (RECORDED + "locks = ['seat']", "no seat to lock"),
    "locks of a fixed track": (
        DRY + "fixed = true\nlocks = ['pan']",
        "do nothing for a fixed track",
    ),
    "limits of a fixed track": (DRY + "fixed = true\nlimits = {}", "do nothing for a fixed track"),
    "blend heard as it is": (
        DRY + "fixed = true\nblend = { tree = 0 }",
        "does nothing for a fixed",
    ),
    "all fixed": (RECORDED + "fixed = true", "every track is fixed or stays"),
    "all stay": (RECORDED + "stay = true", "every track is fixed or stays; let at least one move"),
    "all locked": (
        RECORDED + "locks = ['blend', 'pan', 'width', 'delay']",
        "every track is fixed or stays; let at least one move",
    ),
    "stay and fixed": (
        DRY + "stay = true\nfixed = true",
        "fixed = true: leaves the track as it is",
    ),
    "stay and locks": (DRY + "stay = true\nlocks = ['pan']", "take locks or stay out"),
    "stay and limits": (DRY + "stay = true\nlimits = {}", "take limits or stay out"),
    "stay no flag": (DRY + "stay = 'yes'", "stay = 'yes': is neither true nor false"),
}


@pytest.mark.parametrize("case", BAD)
def test_each_mistake_is_one_clear_line(folder: Path, case: str) -> None:
    """The line begins with the file and says what is wrong."""
    text, expected = BAD[case]
    with pytest.raises(CueError, match=expected) as caught:
        cue(folder, text)
    message = str(caught.value)
    assert message.startswith(str(folder / "cue.toml"))
    assert message.isprintable()
    assert len(message) < 700 + len(str(folder))


def test_files_that_are_no_cue_files(tmp_path: Path) -> None:
    """Missing, a folder, binary, or far too large."""
    with pytest.raises(CueError, match="no such file"):
        read_cue(tmp_path / "none.toml")
    with pytest.raises(CueError, match="is not a file"):
        read_cue(tmp_path)
    (tmp_path / "b.toml").write_bytes(b"\xff\xfe\x00[cue]")
    with pytest.raises(CueError, match="is not UTF-8"):
        read_cue(tmp_path / "b.toml")
    (tmp_path / "c.toml").write_bytes(b"#" * (5 * 1024**2))
    with pytest.raises(CueError, match="is larger than"):
        read_cue(tmp_path / "c.toml")


def test_mistakes_in_a_named_file_name_that_file(folder: Path) -> None:
    """Who reads the message opens the right file."""
    (folder / "room.toml").write_text("widht = 3")
    with pytest.raises(CueError, match=r"room.toml: widht: .*did you mean width"):
        cue(folder, "[room]\nfile = 'room.toml'\n" + DRY)
    (folder / "seats.toml").write_text("[section.celli]\nseat = [1]")
    with pytest.raises(CueError, match=r"seats.toml: section.celli.seat = \[1\]"):
        cue(folder, "[seating]\nfile = 'seats.toml'\n" + DRY)


# -- properties -----------------------------------------------------------------------------------


@given(st.text(max_size=200))
@settings(max_examples=200, deadline=None)
def test_any_text_becomes_a_safe_name(text: str) -> None:
    """Whatever is written, the made name stays in its folder and is accepted."""
    name = made_safe(text)
    assert name_problem(name) == ""
    assert Path("run", name).parent == Path("run")
    assert same_name(name) == same_name(name.upper()) or name.upper().casefold() != name.casefold()


WORDS = [*string.ascii_lowercase[:3], "name", "file", "track", "seat", "limits", "blend", "area"]
VALUES = st.recursive(
    st.one_of(
        st.sampled_from(
            ["1", "-0.5", "nan", "inf", "1e999", "true", '"a.wav"', '""', "2020-01-01"]
        ),
        st.integers(-(10**30), 10**30).map(str),
        st.text(alphabet=string.printable, max_size=8).map(lambda text: f"'''{text}'''"),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4).map(lambda parts: "[" + ", ".join(parts) + "]"),
        st.dictionaries(st.sampled_from(WORDS), inner, max_size=3).map(
            lambda rows: "{" + ", ".join(f"{key} = {row}" for key, row in rows.items()) + "}"
        ),
    ),
    max_leaves=6,
)
KEYS = (
    *("cue", "room", "microphones", "search", "weights", "loudness", "seating", "track"),
    *("cue.name", "cue.excerpt", "room.width", "room.surfaces", "search.seed", "weights.mono"),
)
TRACK_KEYS = (
    *("name", "file", "positions", "section", "role", "priority", "group", "fixed", "seat", "pan"),
    *("width", "blend", "aligned", "source_width", "family", "limits", "locks", "speed"),
    "stay",
)


@given(
    head=st.dictionaries(st.sampled_from(KEYS), VALUES, max_size=4),
    tracks=st.lists(st.dictionaries(st.sampled_from(TRACK_KEYS), VALUES, max_size=6), max_size=3),
)
@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_file_is_read_or_refused_in_one_line(
    folder: Path, head: dict[str, str], tracks: list[dict[str, str]]
) -> None:
    """Whatever the values, the reader gives a cue whose numbers hold, or one clear line."""
    lines = [f"{key} = {value}" for key, value in head.items()]
    for index, track in enumerate(tracks):
        rows = {"name": f"'t{index}'", "file": "'a.wav'", **track}
        lines += ["[[track]]", *(f"{key} = {value}" for key, value in rows.items())]
    refusal = ""
    try:
        read = cue(folder, "\n".join(lines))
    except CueError as error:
        refusal = str(error)
    else:
        for track in read.tracks:
            low, high = track.limits.gain_db
            assert all(g <= OFF_DB or low <= g <= high or track.fixed for g in track.start.blend_db)
            assert name_problem(track.name) == ""
    assert "\n" not in refusal


@given(
    st.tuples(st.floats(-11.5, 11.5), st.floats(-14.5, 16.5)),
    st.floats(-1, 1),
    st.floats(0, 2),
    st.dictionaries(st.sampled_from(["close", "tree", "hall"]), st.floats(-50, 24), min_size=1),
)
@settings(
    max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_valid_starts_arrive_unchanged(
    folder: Path, seat: tuple[float, float], pan: float, width: float, blend: dict[str, float]
) -> None:
    """What is allowed is taken as written, and the limits contain it."""
    gains = ", ".join(f"{name} = {gain!r}" for name, gain in blend.items())
    text = f"seat = {list(seat)!r}\npan = {pan!r}\nwidth = {width!r}\nblend = {{ {gains} }}"
    track = cue(folder, DRY + text).tracks[0]
    assert (track.start.seat, track.start.pan, track.start.width) == (seat, pan, width)
    for name, gain in blend.items():
        assert track.start.blend_db[track.positions.index(name)] == gain
    left, right, front, back = track.limits.area
    assert left <= seat[0] <= right
    assert front <= seat[1] <= back
    assert track.limits.width[0] <= width <= track.limits.width[1]
