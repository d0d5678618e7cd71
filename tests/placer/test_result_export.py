import csv
import io
import re
import tomllib
from dataclasses import replace

import numpy as np
import pytest
import soundfile
import wavinfo

from placer.cue.configs import read_seating
from placer.cue.names import made_safe, same_name
from placer.cue.read import read_cue
from placer.cue.records import OFF_DB
from placer.errors import AudioError, FolderError
from placer.result.export.package import ExportSource, export
from placer.result.export.seating_file import seating_preset
from placer.result.export.start import Start
from placer.result.export.wave import BroadcastWave, write_broadcast
from placer.result.facts import mix_of, pairs
from placer.result.folder import open_run
from placer.result.moves_sheet import moves_csv
from tests.placer.by_hand import Session
from tests.placer.export_source import FADERS, MOMENT, responses_of
from tests.placer.result_run import RATE, changed, run_result, write_run

MIDNIGHT = 36_000 * RATE + 123
"""Ten in the morning and a little: beyond 32 bits."""


@pytest.fixture(scope="module")
def run_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("export") / "run"
    write_run(folder, mixes=2, seconds=2.0)
    return folder


@pytest.fixture(scope="module")
def exported(run_folder, tmp_path_factory):
    out = tmp_path_factory.mktemp("out") / "session"
    source = ExportSource(responses=responses_of)
    start = Start(MIDNIGHT, True)
    return export(run_folder, 1, out, source=source, start=start, moment=MOMENT).folder


def test_everything_is_there(exported):
    """Sheets, preset, stems, responses, controllers and a read-me; nothing half-written."""
    names = sorted(str(path.relative_to(exported)) for path in exported.rglob("*.*"))
    tracks = [made_safe(track.name) for track in run_result().tracks]
    assert (
        names
        == sorted(
            [
                "README.txt",
                "moves.csv",
                "moves.md",
                "moves.html",
                "seating.toml",
                "controllers-1.mid",
            ]
            + ["session.aaf"]
            + [f"stems/{name}.wav" for name in tracks]
            + [f"responses/reference/{name}.wav" for name in tracks[:3]]
            + [
                f"responses/reference/positions/{name} {at}.wav"
                for name in tracks[:3]
                for at in FADERS
            ]
            + [f"responses/{name}.wav" for name in tracks[:2]]  # the third does not move
            + [f"responses/positions/{name} {at}.wav" for name in tracks[:2] for at in FADERS]
        )
    )
    assert [path.name for path in exported.parent.iterdir()] == ["session"]


def test_stems_carry_their_time_and_sum_to_the_mix(exported, run_folder):
    """An independent reader finds the bext chunk; the 24-bit stems add up to the mix."""
    total = 0.0
    for path in sorted((exported / "stems").iterdir()):
        read = wavinfo.WavInfoReader(str(path))
        assert read.bext.time_reference == MIDNIGHT
        assert (read.bext.originator, read.bext.version) == ("placer", 1)
        assert (read.bext.originator_date, read.bext.originator_time) == ("2025-03-04", "05:06:07")
        assert read.bext.description == "Invented cue <1>, mix 1"
        assert read.bext.coding_history.startswith("A=PCM,F=48000,W=24,M=stereo")
        assert (read.fmt.bits_per_sample, read.fmt.sample_rate) == (24, RATE)
        sound, _ = soundfile.read(path)
        total = total + sound
        assert soundfile.info(path).subtype == "PCM_24"
    mix, _ = soundfile.read(run_folder / "mix-01.wav")
    error = np.sqrt(np.mean(np.square(total - mix)) / np.mean(np.square(mix)))
    assert 20 * np.log10(error) < -100.0


def test_a_stem_that_alone_exceeds_full_scale_lowers_all(run_folder, tmp_path):
    """One gain for all, said in the read-me; no sample is clipped."""
    loud = tmp_path / "loud.wav"
    sound, _ = soundfile.read(run_folder / "placed" / "01" / "Horns.wav")
    soundfile.write(loud, sound * 2.0 / np.max(np.abs(sound)), RATE, subtype="FLOAT")

    def placed(name):
        return loud if name == "Horns" else run_folder / "placed" / "01" / f"{name}.wav"

    out = export(run_folder, 1, tmp_path / "out", source=ExportSource(placed=placed)).folder
    found, _ = soundfile.read(out / "stems" / "Horns.wav")
    assert np.max(np.abs(found)) == pytest.approx(10 ** (-0.1 / 20), rel=1.2e-3)
    other, _ = soundfile.read(out / "stems" / "Soft choir.wav")
    before, _ = soundfile.read(placed("Soft choir"))
    np.testing.assert_allclose(other, before * 10 ** (-6.13 / 20), atol=2e-6)
    assert "6.13 dB lower" in " ".join((out / "README.txt").read_text().split())


def test_the_preset_is_read_by_the_cue_reader_as_it_was_found(exported):
    """Each track starts where the mix has it; a position that is off stays off."""
    result = run_result()
    seating = read_seating(exported / "seating.toml")
    for track, _, after in pairs(result, mix_of(result, 1)):
        if track.kind == "direct":
            continue
        start = seating.tracks[same_name(track.name)]
        assert start.seat == after.seat
        assert start.blend_db == after.blend_db
        assert (start.pan, start.width) == pytest.approx((after.pan, after.width))
        assert start.aligned == after.aligned
    assert "choir" in seating.sections


def test_another_cue_starts_from_the_preset(tmp_path):
    """A cue that names the file starts its tracks there, switched-off positions too."""
    result = run_result()
    (tmp_path / "mine.toml").write_text(seating_preset(result, mix_of(result, 2)), encoding="utf-8")
    rng = np.random.default_rng(1)
    for name in ("bed", "close", "tree", "hall"):
        soundfile.write(tmp_path / f"{name}.wav", 0.1 * rng.standard_normal((4800, 2)), RATE)
    (tmp_path / "cue.toml").write_text(
        '[cue]\nname = "another"\n[seating]\nfile = "mine.toml"\n'
        '[[track]]\nname = "Low strings bed"\nfile = "bed.wav"\nsection = "celli"\nrole = "bed"\n'
        '[[track]]\nname = "Soft choir"\nsection = "choir"\nrole = "bed"\n'
        '[track.positions]\nclose = "close.wav"\ntree = "tree.wav"\nhall = "hall.wav"\n',
        encoding="utf-8",
    )
    dry, recorded = read_cue(tmp_path / "cue.toml").tracks
    mix = {track.name: track for track in mix_of(result, 2).tracks}
    assert dry.start.seat == mix["Low strings bed"].seat
    assert dry.start.pan == pytest.approx(mix["Low strings bed"].pan)
    gains = dict(zip(recorded.positions, recorded.start.blend_db, strict=True))
    assert gains == {"close": 3.0, "tree": -3.0, "hall": OFF_DB}


def test_the_preset_is_toml_whatever_a_track_is_called():
    """Quotes, backslashes and brackets in a name are read back by the standard library."""
    result = run_result(mixes=1)
    name = 'a "b" \\c [d] # e'
    places = ("", "reference.", "mixes.0.")
    result = changed(result, {f"{where}tracks.0.name": name for where in places})
    assert name in tomllib.loads(seating_preset(result, result.mixes[0]))["track"]


def test_the_sheets_are_those_of_the_mix(exported, run_folder):
    """CSV read back by the standard library; the printable page names every track."""
    result = open_run(run_folder).read_result()
    with (exported / "moves.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    assert rows == list(csv.reader(io.StringIO(moves_csv(result, 1))))
    page = (exported / "moves.html").read_text()
    assert "Low strings run" in page
    assert "&lt;fixed&gt;" in page
    assert "http" not in page


def test_the_read_me_states_gains_and_channels(exported):
    """The actions first, then the other files; who is on which channel."""
    text = (exported / "README.txt").read_text()
    flat = " ".join(text.split())
    assert "harms hearing" in flat
    assert flat.index("1. Set up the reference.") < flat.index("moves.csv") < flat.index("stems:")
    assert f"{MIDNIGHT} samples" in flat
    assert "file 1, channel 5: Struck metal (close " in flat
    assert "controller 20: gain of the position close" in flat
    assert max(len(line) for line in text.splitlines()) <= 78


def test_the_read_me_sets_up_the_reference_and_then_makes_move_after_move(exported):
    """Numbered: every track of the reference with its fader, each step of the path, the level."""
    session = Session(exported, ["Low strings run", "Low strings bed", "Horns"])
    titles = [title.split(".")[0] for title, _ in session.actions]
    assert titles == [
        "Set up the reference",
        "Move 1",
        "Move 2",
        "Move 3",
        "The level of the whole",
    ]
    result = run_result()
    names = result.names
    assert sorted(session.actions[0][1]) == sorted(names)
    steps = [list(tracks) for _, tracks in session.actions[1:-1]]
    assert steps == [list(step.tracks) for step in result.mixes[0].steps]
    assert "compare with reference.wav" in session.actions[0][0]
    assert "compare with mix-01.wav" in session.actions[-1][0]
    assert "wholly wet, the dry sound off" in session.actions[0][0]
    session.do(1)
    horns = session.strips["Horns"]
    loaded, _ = soundfile.read(exported / horns.files[0])
    raised = np.max(np.abs(loaded)) / np.max(np.abs(responses_of("Horns").whole))
    assert horns.fader == pytest.approx(-20 * np.log10(raised), abs=0.006)
    assert horns.faders["outriggers"] is None
    assert session.master == 1.0
    choir = session.actions[0][1]["Soft choir"]
    assert choir == ["close 0 dB, tree -3 dB, hall -6 dB; pan centre, width 100 %, fader 0 dB"]
    assert session.actions[0][1][names[-1]] == ["as its file is: fader 0 dB"]
    assert session.actions[2][1]["Soft choir"] == [
        "gain of close: 0 dB to +1.5 dB", "gain of hall: -6 dB to -7.5 dB",
        "pan: centre to R 30 %", "width: 100 % to 80 %",
        "make-up (whole track, behind its positions): 0.0 dB to -0.7 dB",
    ]  # fmt: skip
    before = replace(session.strips["Low strings run"])
    session.do(2)
    after = session.strips["Low strings run"]
    assert before.files == ["responses/reference/Low strings run.wav"]
    assert after.files == ["responses/Low strings run.wav"]
    assert session.actions[1][1]["Low strings run"][2] == (
        "already in the response, not to be set: seat: 3 m right, 3.5 m back to 1.5 m right, 3 m "
        "back; side of the close microphone: R 27 % to R 14 %; pan: R 20 % to L 10 %; alignment of "
        "close to tree, delay of close: none to 12.3 ms = 592 samples"
    )


def test_microphones_that_the_mix_sets_otherwise_come_first(run_folder, tmp_path):
    """A track that does not move loads another response before move 1, with its faders."""
    source = ExportSource(responses=lambda name, rank: responses_of(f"{name} ", rank))
    out = export(run_folder, 1, tmp_path / "out", source=source).folder
    session = Session(out, ["Low strings run", "Low strings bed", "Horns"])
    assert [title.split(".")[0] for title, _ in session.actions][:3] == [
        "Set up the reference", "The microphones", "Move 1",
    ]  # fmt: skip
    assert list(session.actions[1][1]) == ["Horns"]
    session.do(1)
    session.do(2)
    assert session.strips["Horns"].files == ["responses/Horns.wav"]
    assert session.strips["Horns"].faders["hall"] is None


def test_the_sheets_say_what_to_do_first(exported):
    """On paper and as text: the actions of the read-me, in its order and with its faders."""
    readme = " ".join((exported / "README.txt").read_text().split())
    load = re.search(
        r"load responses/Low strings run\.wav .*? fader (?:stays at|from \S+ dB to) \S+ dB", readme
    )[0]
    horns = re.search(r"responses/reference/Horns\.wav: fader \S+ dB", readme)[0]
    for name in ("moves.md", "moves.html"):
        text = (exported / name).read_text()
        assert "wholly wet, the dry sound off" in text
        assert text.index("Set up the reference") < text.index(horns) < text.index(load)
        assert text.count(load) == 1
    assert text.index(load) < text.index("Measured") < text.index("The level of the whole")


def test_what_cannot_be_exported_is_said(run_folder, tmp_path):
    """No such rank, no stems, a folder in use: one clear line, and nothing is left behind."""
    with pytest.raises(FolderError, match="rank = 7"):
        export(run_folder, 7, tmp_path / "a")
    bare = tmp_path / "bare"
    write_run(bare, mixes=1, seconds=0.5, stems=False)
    with pytest.raises(FolderError, match="no placed stem; run `placer render"):
        export(bare, 1, tmp_path / "b")
    with pytest.raises(FolderError, match="is there already"):
        export(run_folder, 1, run_folder)

    def broken(*_):
        raise ValueError("the room is gone")

    with pytest.raises(ValueError, match="the room is gone"):
        export(run_folder, 1, tmp_path / "c", source=ExportSource(responses=broken))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bare"]


def test_nothing_is_clipped_on_the_way_to_24_bits(tmp_path):
    """Full scale and beyond, and NaN, are refused; half a step is the largest error."""
    about = BroadcastWave("x", MOMENT)
    for bad in (1.0, -1.1, np.nan):
        with pytest.raises(AudioError, match=r"x\.wav: peak"):
            write_broadcast(
                tmp_path / "x.wav", [np.full((1, 3), bad)], RATE, channels=1, about=about
            )
    assert not list(tmp_path.iterdir())
    sound = np.random.default_rng(2).uniform(-0.999, 0.999, (1, 1001))
    write_broadcast(
        tmp_path / "x.wav", [sound[:, :500], sound[:, 500:]], RATE, channels=1, about=about
    )
    found, rate = soundfile.read(tmp_path / "x.wav")
    assert rate == RATE
    np.testing.assert_allclose(found, sound[0], atol=2.0**-24 * 1.001)
