"""What a new cue takes from an earlier one by the names of its tracks; all names are invented."""

import json

import numpy as np
import pytest
import soundfile

from placer.cli import main
from placer.cue.like import names_in_common, read_earlier, take_name, taken_keys
from placer.cue.preset import preset_lines
from placer.cue.read import read_cue
from placer.errors import CueError, FolderError
from placer.result.folder import cue_file
from tests.placer.result_run import RATE, write_run

EARLIER = """
[cue]
name = "Frozen quay"
[seating]
file = "own.toml"
[[track]]
name = "Celli Ostinato"
file = "a.wav"
section = "celli"
role = "ostinato"
priority = 1.5
group = "floor"
locks = ["seat", "pan"]
seat = [1.0, 4.0]
pan = 0.3
[[track]]
name = "bells"
file = "b.wav"
section = "my_bells"
role = "pad"
fixed = true
seat = [2.0, 7.0]
[[track]]
name = "Horns 2"
file = "c.wav"
section = "horns"
role = "melody"
[[track]]
name = "drone"
positions = { mix = "d.wav" }
section = "synth_pad"
role = "bed"
fixed = true
family = "omni"
"""
OWN = """
[section.my_bells]
seat = [0.0, 6.0]
blend = { tree = 0.0 }
[track."Celli Ostinato"]
seat = [1.5, 4.0]
[track.oboe]
seat = [0.0, 3.0]
"""


def sound(seed):
    """A second of notes."""
    time = np.arange(RATE) / RATE
    return 0.2 * np.sin(2 * np.pi * 110 * (seed + 1) * time) * np.exp(-4 * (time * 4 % 1))


@pytest.fixture
def earlier(tmp_path):
    """A cue file with its stems, readable as it is."""
    folder = tmp_path / "earlier"
    folder.mkdir()
    for number, name in enumerate("abcd"):
        soundfile.write(folder / f"{name}.wav", sound(number), RATE)
    (folder / "own.toml").write_text(OWN)
    path = folder / "cue.toml"
    path.write_text(EARLIER)
    read_cue(path)
    return path


def stems(folder, *names):
    folder.mkdir()
    for number, name in enumerate(names):
        soundfile.write(folder / f"{name}.wav", sound(number), RATE)
    return folder


def block(text, name):
    """Lines of one track of a cue file."""
    (found,) = (part for part in text.split("[[track]]") if f'name = "{name}"' in part)
    return found


def test_a_draft_takes_what_an_earlier_cue_says(earlier, tmp_path, capsys):
    """By name, whatever its case and take; each track says whether it was taken or guessed."""
    folder = stems(tmp_path / "new", "celli_ostinato_tk2", "BELLS take 2", "oboe", "drone")
    assert main(["draft", str(folder), "--like", str(earlier)]) == 0
    path = folder / "new.toml"
    text = path.read_text()
    assert '# 3 of 4 tracks are taken from the cue "Frozen quay"; all else is guessed.' in text
    celli = block(text, "celli ostinato")
    assert '# taken: from the track "Celli Ostinato" of "Frozen quay"' in celli
    assert '" # guess: ' not in celli.replace("# guess: dry", "")
    assert '# new: the cue "Frozen quay" has no track of this name' in block(text, "oboe")
    by_section = {track.section: track for track in read_cue(path).tracks}
    found = by_section["celli"]
    assert (found.role, found.priority, found.group) == ("ostinato", 1.5, "floor")
    assert found.locks == {"seat", "pan"}
    assert found.start.pan == 0.0  # where it starts is no matter of a draft
    drone = by_section["synth_pad"]
    assert (drone.kind, drone.fixed) == ("direct", True)
    bells = next(track for track in read_cue(path).tracks if track.name.startswith("BELLS"))
    assert (bells.role, bells.fixed, bells.start.seat) == ("pad", True, (2.0, 7.0))
    assert "my_bells" not in text  # a section of another cue's seating file is guessed anew
    capsys.readouterr()


def test_a_draft_takes_what_must_be_heard(earlier, tmp_path, capsys):
    """By the new names; who is missing is said, and a tune that is not named stays behind."""
    earlier.write_text(
        EARLIER.replace('"Frozen quay"', '"Frozen quay"\nhear = ["celli ostinato", "Horns 2"]', 1)
    )
    folder = stems(tmp_path / "new", "celli_ostinato_tk2", "bells", "oboe")
    assert main(["draft", str(folder), "--like", str(earlier)]) == 0
    path = folder / "new.toml"
    text = path.read_text()
    why = 'taken: from "Frozen quay"; no other track carries the music unless it says so'
    assert f'hear = ["celli ostinato"] # {why}' in text
    assert '# "Frozen quay" also wants to hear "Horns 2": no track of this name here' in text
    fronts = {track.name: track.foreground for track in read_cue(path).tracks}
    assert fronts["celli ostinato"] is True
    assert fronts["bells"] is False
    capsys.readouterr()


def test_none_of_what_must_be_heard_is_there(earlier, tmp_path, capsys):
    """Then the roles say what carries the music; an empty list stays one."""
    folder = stems(tmp_path / "new", "oboe")
    for given, wanted in (('["Horns 2"]', None), ("[]", ())):
        earlier.write_text(EARLIER.replace('"Frozen quay"', f'"Frozen quay"\nhear = {given}', 1))
        out = folder / f"{wanted}.toml"
        assert main(["draft", str(folder), "--like", str(earlier), "--out", str(out)]) == 0
        found = [line for line in out.read_text().splitlines() if line.startswith("hear")]
        assert len(found) == (0 if wanted is None else 1)
        read_cue(out)
    capsys.readouterr()


def test_a_run_stands_for_its_cue(earlier, tmp_path, capsys):
    """The folder of a run leads to its cue file; one that is gone is said."""
    run = tmp_path / "run"
    write_run(run, mixes=1, seconds=0.5, stems=False)
    result = json.loads((run / "result.json").read_text())
    result["cue"]["path"] = str(earlier)
    (run / "result.json").write_text(json.dumps(result))
    assert cue_file(run) == earlier
    folder = stems(tmp_path / "new", "horns 2", "oboe")
    assert main(["draft", str(folder), "--like", str(run)]) == 0
    assert 'role = "melody" # taken' in (folder / "new.toml").read_text()
    earlier.rename(earlier.with_name("moved.toml"))
    with pytest.raises(FolderError, match=r"cue file .* is gone; name the cue file itself"):
        cue_file(run)
    assert main(["draft", str(folder), "--like", str(run), "--out", str(tmp_path / "x.toml")]) == 2
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Celli_Take 3", "celli"),
        ("vln 1 v02", "VLN 1"),
        ("Horns 2 (1)", "horns_2"),
        ("low.brass-copy", "Low Brass"),
    ],
)
def test_takes_of_one_layer_have_one_name(one, other):
    """Case, signs and take suffixes do not count."""
    assert take_name(one) == take_name(other)


def test_numbers_that_name_a_layer_stay():
    """Second violins are no second take of the violins, and alike names are not confused."""
    assert take_name("Violins 2") != take_name("Violins 1")
    assert take_name("V2") != take_name("V1")
    assert names_in_common(["Horns 1", "Horns 2"], ["Horns 2", "Horns 3"]) == {"Horns 2": "Horns 2"}
    assert names_in_common(["celli tk1", "celli tk2"], ["Celli"]) == {}
    assert names_in_common(["Celli"], ["celli tk1", "celli tk2", "celli"]) == {"Celli": "celli"}


def test_a_recorded_track_takes_no_lock_of_a_seat():
    """What cannot be locked there is left out, and a list that gets empty too."""
    known = {"sections": {"celli"}, "roles": {"bed"}}
    row = {"name": "x", "section": "celli", "locks": ["seat", "pan"], "seat": [1.0, 2.0]}
    assert taken_keys(row, recorded=True, **known) == {"section": "celli", "locks": ["pan"]}
    assert taken_keys(row | {"locks": ["seat"]}, recorded=True, **known) == {"section": "celli"}
    assert taken_keys(row, recorded=False, **known)["locks"] == ["seat", "pan"]


def test_a_file_that_is_no_cue_is_refused(tmp_path):
    """One line that says what to name."""
    (tmp_path / "x.toml").write_text('[cue]\nname = "x"\n')
    with pytest.raises(CueError, match=r"has no \[\[track\]\]; name an earlier cue file"):
        read_earlier(tmp_path / "x.toml")


def test_check_reports_what_a_preset_matched(earlier, tmp_path, capsys):
    """Who starts as the preset says, whom it names in vain, of whom it says nothing."""
    lines = preset_lines(earlier, read_cue(earlier).tracks)
    assert lines == [
        "own.toml: 1 of its 2 tracks start here as it says: Celli Ostinato",
        "own.toml: no track of this cue has the name of oboe",
        "own.toml: says nothing of bells, Horns 2, drone; they start as usual",
    ]
    assert main(["check", str(earlier)]) == 0
    assert set(lines) <= set(capsys.readouterr().out.splitlines())
    plain = tmp_path / "earlier" / "plain.toml"
    plain.write_text(
        EARLIER.replace('[seating]\nfile = "own.toml"', "").replace("my_bells", "bells")
    )
    assert preset_lines(plain, []) == []
