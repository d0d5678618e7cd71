import csv
import io
import re
import tomllib
from html import unescape

import numpy as np
import pytest
import soundfile
import wavinfo

from placer.cue.configs import read_seating
from placer.cue.names import made_safe, same_name
from placer.cue.read import read_cue
from placer.cue.records import OFF_DB
from placer.errors import AudioError, FolderError
from placer.result.export.actions import actions_of
from placer.result.export.package import ExportSource, export
from placer.result.export.seating_file import seating_preset
from placer.result.export.start import Start
from placer.result.export.wave import BroadcastWave, write_broadcast
from placer.result.facts import mix_of, pairs
from placer.result.folder import open_run
from placer.result.moves_sheet import moves_csv
from tests.placer.by_hand import Session, unwrapped
from tests.placer.export_source import FADERS, MOMENT, MOVED_FADERS, responses_of
from tests.placer.result_run import RATE, changed, run_result, write_run

MOVED = ("01 Low strings run", "03a Low strings bed")
"""Files of moves of the invented run begin like this."""
DRY = dict.fromkeys(["Low strings run", "Low strings bed", "Horns"], np.zeros((1, 9)))
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
    assert names == sorted(
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
        + [f"responses/reference/positions/{name} {at}.wav" for name in tracks[:3] for at in FADERS]
        + [f"responses/moves/{name}.wav" for name in MOVED]  # the third does not move
        + [f"responses/moves/positions/{name} {at}.wav" for name in MOVED for at in FADERS]
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
    """The actions first, then positions and the other files; who is on which channel."""
    text = (exported / "README.txt").read_text()
    flat = " ".join(text.split())
    assert "harms hearing" in flat
    order = ("Start. Set up the reference", "End. ", "Another way: ", "moves.csv", "stems:")
    places = [flat.index(words) for words in order]
    assert places == sorted(places)
    assert f"{MIDNIGHT} samples" in flat
    assert "file 1, channel 5: Struck metal (close " in flat
    assert "controller 20: gain of the position close" in flat
    assert max(len(line) for line in text.splitlines()) <= 78


def stems_of(result):
    """Something for every track of the invented run to play: silence, of recorded tracks a part."""
    return {
        track.name: {at: np.zeros((1, 9)) for at in track.positions}
        if track.kind == "recorded"
        else np.zeros((1, 9))
        for track in result.tracks
    }


def test_the_read_me_sets_up_the_reference_and_then_makes_move_after_move(exported):
    """Every track of the reference, each step of the path, and what to hear first and last."""
    result = run_result()
    session = Session(exported, stems_of(result))
    assert [told.title for told in session.actions] == [
        "Start. Set up the reference", "Move 1. Low strings run", "Move 2. Soft choir",
        "Move 3. Low strings bed, Struck metal", "End. All moves are made",
    ]  # fmt: skip
    steps = [list(told.tracks) for told in session.actions[1:-1]]
    assert steps == [list(step.tracks) for step in result.mixes[0].steps]
    start, end = (" ".join(session.actions[at].words) for at in (0, -1))
    assert "It must sound like reference.wav in the folder of the run" in start
    assert "It must sound like mix-01.wav in the folder of the run" in end
    assert "100 % wet, no dry sound, no pre-delay and no automatic level" in start
    assert 'play as their files are, without a reverb: Deep swell <fixed> & "done".' in start
    assert list(session.actions[0].tracks.items()) == [
        ("Soft choir", ["close 0 dB, tree -3 dB, hall -6 dB"]),
        ("Struck metal", ["close 0 dB, tree -3 dB, hall -6 dB; pan R 10 %"]),
    ]
    session.do(0)
    assert session.master == 1.0
    assert session.strips["Horns"].files == ["responses/reference/Horns.wav"]
    assert session.strips["Horns"].faders == FADERS
    assert session.strips["Struck metal"].pan == 0.1
    choir = session.strips["Soft choir"]
    assert (choir.faders, choir.pan, choir.whole_db) == (
        {"close": 0.0, "tree": -3.0, "hall": -6.0}, 0.0, 0.0,
    )  # fmt: skip
    for number in (1, 2, 3):
        session.do(number)
    assert session.actions[1].tracks["Low strings run"] == [
        "Set this: load responses/moves/01 Low strings run.wav in place of the file of the "
        "reference; leave the fader as it is.",
        "Already in the response: move 1.5 m to the left, 27 % closer; pan to L 10 %; more hall "
        "(+1.5 dB), less close (-1.5 dB); alignment of close to tree 12.3 ms (heard 5 degrees "
        "left instead of 4 right, farther).",
    ]
    for name in MOVED:
        assert session.strips[name.split(" ", 1)[1]].files == [f"responses/moves/{name}.wav"]
    assert session.strips["Horns"].files == ["responses/reference/Horns.wav"]
    assert session.strips["Low strings run"].faders == MOVED_FADERS
    assert session.strips["Low strings run"].whole_db == -0.5
    assert (choir.faders, choir.pan, choir.width, choir.whole_db) == (
        {"close": 1.5, "tree": -3.0, "hall": -7.5}, 0.3, 0.8, -0.7,
    )  # fmt: skip
    assert " ".join(session.actions[3].words).startswith("These moves belong together")
    assert (
        "Struck metal: heard 7 degrees left instead of 2 right, farther."
        in session.actions[3].words[-1]
    )


def test_a_recorded_track_that_is_aligned_says_its_delay(tmp_path):
    """In the reference already: the samples by which its first position is late."""
    result = run_result(mixes=1)
    values = {"aligned": True, "close_delay_ms": 9.0}
    for place in ("reference", "mixes.0"):
        result = changed(result, {f"{place}.tracks.3.{key}": one for key, one in values.items()})
    (start, *_) = actions_of(result, result.reference, [])
    assert dict(start.tracks)["Soft choir"] == (
        "close 0 dB, tree -3 dB, hall -6 dB; delay of close 432 samples",
    )


def test_microphones_that_the_mix_sets_otherwise_come_first(run_folder, tmp_path):
    """A track that does not move loads another response before move 1, numbered 00."""
    source = ExportSource(responses=lambda name, rank: responses_of(f"{name} ", rank))
    out = export(run_folder, 1, tmp_path / "out", source=source).folder
    session = Session(out, DRY)
    assert [told.title.split(".")[0] for told in session.actions][:3] == [
        "Start", "Microphones", "Move 1",
    ]  # fmt: skip
    assert list(session.actions[1].tracks) == ["Horns"]
    session.do(0)
    session.do(1)
    assert session.strips["Horns"].files == ["responses/moves/00 Horns.wav"]
    assert session.strips["Horns"].faders["hall"] is None
    assert session.strips["Horns"].positions["tree"] == "responses/moves/positions/00 Horns tree"
    assert (out / "responses/moves/positions/00 Horns tree.wav").is_file()


def test_the_sheets_say_the_same_as_the_read_me(exported):
    """On paper and as text: every action in the words and the order of the read-me."""
    readme = unwrapped((exported / "README.txt").read_text())
    start, end = (
        next(index for index, line in enumerate(readme) if line.startswith(words))
        for words in ("Start. ", "Another way")
    )
    told = [line.strip() for line in readme[start:end] if line]
    sheets = [(exported / name).read_text() for name in ("moves.md", "moves.html")]
    plain = (
        re.sub(r"\\([^\w\s])", r"\1", sheets[0]),
        unescape(re.sub("</?[a-z][^>]*>", " ", sheets[1])),
    )
    assert len(told) > 15
    for text in plain:
        flat = " ".join(text.replace("**", "").split())
        last = 0
        for line in told:
            last = flat.index(line, last)


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
