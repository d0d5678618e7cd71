"""Controllers of an exported mix, read back by an independent reader of MIDI files."""

import io

import mido
import numpy as np
import pytest
from msgspec.structs import replace

from placer.cue.controllers import UNDEFINED, controllers_of, usual_controllers
from placer.cue.read import read_cue
from placer.errors import CueError
from placer.placement.layout import pan_gains
from placer.result.export.midi import (
    controller_files,
    gain_value,
    pan_value,
    settings,
    shift_db,
)
from placer.result.facts import mix_of, pairs
from placer.result.moves_sheet import position_names
from tests.placer.result_run import changed, run_result
from tests.placer.small_cue import write_cue


def read(content):
    """Tracks of a MIDI file as (name, channels, {controller: value})."""
    found = []
    for events in mido.MidiFile(file=io.BytesIO(content)).tracks[1:]:
        changes = [event for event in events if event.type == "control_change"]
        assert all(event.time == 0 for event in changes)
        assert events[-1].type == "end_of_track"
        values = {event.control: event.value for event in changes}
        assert len(values) == len(changes)
        found.append((events.name, {event.channel for event in changes}, values))
    return found


def test_gains_of_positions_are_written_and_nothing_else():
    """A channel a track; volume and pan of the template (7, 10) stay as they are."""
    result = run_result()
    mix = mix_of(result, 2)
    chosen = usual_controllers(position_names(result))
    assert chosen == {"close": 20, "tree": 21, "outriggers": 22, "hall": 23}
    (content,) = controller_files(result, mix, chosen)
    placed = [three for three in pairs(result, mix) if three[0].kind != "direct"]
    shift = shift_db(result, mix, chosen)
    for number, ((track, _, after), (name, channels, values)) in enumerate(
        zip(placed, read(content), strict=True)
    ):
        assert (name, channels) == (track.name, {number})
        assert set(values) == {chosen[position] for position in after.blend_db}
        for position, gain in after.blend_db.items():
            value = values[chosen[position]]
            if gain is None:
                assert value == 0
            else:
                assert 40 * np.log10(value / 100) == pytest.approx(gain + shift, abs=0.2)


def test_what_a_cue_file_chooses_is_written():
    """Make-up, pan and width on numbers of one's own, and only one of the positions."""
    result = run_result()
    mix = mix_of(result, 1)
    chosen = {"tree": 3, "make_up": 7, "pan": 10, "width": 14}
    (content,) = controller_files(result, mix, chosen)
    after = {track.name: track for track in mix.tracks}
    shift = shift_db(result, mix, chosen)
    for name, _, values in read(content):
        assert set(values) == {3, 7, 10, 14}
        assert values[10] == pan_value(after[name].pan)
        assert values[14] == round(64 * after[name].width)
        shown = 40 * np.log10(values[7] / 100)
        assert shown == pytest.approx(after[name].make_up_db + shift, abs=0.2)


def test_more_than_sixteen_tracks_take_more_files():
    """Forty tracks: three files, channels 1 to 16 in each, no track lost."""
    result = run_result(mixes=1)
    holders = (("", result), ("reference.", result.reference), ("mixes.0.", result.mixes[0]))
    result = changed(result, {
        f"{where}tracks": [replace(one.tracks[0], name=f"Layer {n}") for n in range(40)]
        for where, one in holders
    })  # fmt: skip
    files = controller_files(result, result.mixes[0], {"close": 20})
    groups = [read(content) for content in files]
    assert [len(group) for group in groups] == [16, 16, 8]
    assert [name for group in groups for name, _, _ in group] == [f"Layer {n}" for n in range(40)]
    assert [min(channels) for _, channels, _ in groups[1]] == list(range(16))


@pytest.mark.parametrize("pan", [-1.0, -0.35, 0.0, 0.2, 0.8, 1.0])
def test_pan_values_follow_the_default_pan_formula(pan):
    """RP-036: left = cos, right = sin of 90 degrees (value - 1) / 126, to half a step of ours."""
    angle = np.pi / 2 * (pan_value(pan) - 1) / 126
    left, right = pan_gains(pan)
    assert np.arctan2(right, left) == pytest.approx(angle, abs=np.pi / 2 / 126 / 2 + 1e-9)


def test_gains_share_a_shift_when_one_is_too_large():
    """General MIDI: 40 log10(value / 127); +9 dB does not fit above 100, so all come down alike."""
    result = run_result(mixes=1)
    gains = enumerate((9.0, 0.0))
    result = changed(result, {f"mixes.0.tracks.{i}.blend_db.close": gain for i, gain in gains})
    mix = result.mixes[0]
    found = settings(result, mix, {"close": 20})
    assert found[0].values["close"] == 127
    between = 40 * np.log10(127 / found[1].values["close"])
    assert between == pytest.approx(9.0, abs=0.2)
    assert gain_value(shift_db(result, mix, {"close": 20})) == found[1].values["close"]


def test_usual_numbers_have_no_meaning_of_their_own():
    """The same number for a position in every cue; MIDI leaves all of them undefined."""
    many = [f"spot {number}" for number in range(40)]
    found = usual_controllers(["tree", *many, "close"])
    assert (found["close"], found["tree"]) == (20, 21)
    assert len(set(found.values())) == len(found)
    assert set(found.values()) <= set(UNDEFINED)
    assert len(found) == 2 + len(UNDEFINED) - 8
    assert not {7, 10} & set(UNDEFINED)


def cue_with(folder, midi):
    path = write_cue(folder)
    path.write_text(f"{path.read_text()}\n{midi}\n")
    return path


def test_the_cue_file_is_read(tmp_path):
    """Chosen controllers replace the usual ones; without the table the usual ones stand."""
    path = cue_with(tmp_path, "[midi]\ncontrollers = { tree = 11, make_up = 7 }")
    assert controllers_of(path, read_cue(path).tracks) == {"tree": 11, "make_up": 7}
    plain = cue_with(tmp_path, "")
    cue = read_cue(plain)
    found = controllers_of(plain, cue.tracks)
    assert found == {"close": 20, "tree": 21, "outriggers": 22, "hall": 23}


@pytest.mark.parametrize(
    ("midi", "words"),
    [
        ("controllers = { tre = 20 }", r"midi\.controllers\.tre.*did you mean tree"),
        ("controllers = { tree = 0 }", r"tree = 0: selects banks"),
        ("controllers = { tree = 123 }", r"tree = 123: selects banks, parameters or modes"),
        ("controllers = { tree = 128 }", r"tree = 128: is out of range; allowed: 0 to 127"),
        ("controllers = { tree = 20, close = 20 }", r"close = 20: is given to two names"),
        ("controller = { tree = 20 }", r"midi\.controller: .*did you mean controllers"),
    ],
)
def test_a_wrong_controller_is_refused_when_the_cue_is_read(tmp_path, midi, words):
    """One line that says key, value and what to try."""
    path = cue_with(tmp_path, f"[midi]\n{midi}")
    with pytest.raises(CueError, match=words):
        read_cue(path)
