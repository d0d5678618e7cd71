import csv
import io
import json
import tomllib
from datetime import datetime

import mido
import numpy as np
import pytest
import soundfile
import wavinfo
from scipy.signal import fftconvolve, resample_poly

from placer.cue.configs import read_seating
from placer.cue.names import made_safe, same_name
from placer.cue.read import read_cue
from placer.cue.records import OFF_DB
from placer.errors import AudioError, FolderError
from placer.placing.layout import pan_gains
from placer.result.export.controllers import (
    common_shift_db,
    controller_files,
    pan_value,
    volume_value,
)
from placer.result.export.package import Source, export
from placer.result.export.preset import seating_preset
from placer.result.export.responses import write_responses
from placer.result.export.start import Start
from placer.result.export.wave import BroadcastWave, write_broadcast
from placer.result.facts import mix_of, pairs
from placer.result.moves_sheet import moves_csv
from tests.placer.result_run import RATE, result_facts, write_run

MOMENT = datetime(2025, 3, 4, 5, 6, 7)
MIDNIGHT = 36_000 * RATE + 123
"""Ten in the morning and a little: beyond 32 bits."""


def responses_of(name, taps=4000, channels=1):
    """Invented responses: noise that dies away; (channel, 2, tap)."""
    rng = np.random.default_rng(len(name))
    shape = np.exp(-np.arange(taps) / 700.0)
    return 0.2 * rng.standard_normal((channels, 2, taps)) * shape


@pytest.fixture(scope="module")
def run_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("export") / "run"
    write_run(folder, mixes=2, seconds=2.0)
    return folder


@pytest.fixture(scope="module")
def exported(run_folder, tmp_path_factory):
    out = tmp_path_factory.mktemp("out") / "session"
    source = Source(responses=responses_of)
    return export(run_folder, 1, out, source=source, start=Start(MIDNIGHT, True), moment=MOMENT)


def test_everything_is_there(exported):
    """Sheets, preset, stems, responses, controllers and a read-me; nothing half-written."""
    names = sorted(str(path.relative_to(exported)) for path in exported.rglob("*.*"))
    tracks = [made_safe(track["name"]) for track in result_facts()["tracks"]]
    assert names == sorted(
        ["README.txt", "moves.csv", "moves.md", "moves.html", "seating.toml", "controllers-1.mid"]
        + [f"stems/{name}.wav" for name in tracks]
        + [f"responses/{name}.wav" for name in tracks[:3]]
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

    out = export(run_folder, 1, tmp_path / "out", source=Source(placed=placed))
    found, _ = soundfile.read(out / "stems" / "Horns.wav")
    assert np.max(np.abs(found)) == pytest.approx(10 ** (-0.1 / 20), rel=1.2e-3)
    other, _ = soundfile.read(out / "stems" / "Soft choir.wav")
    before, _ = soundfile.read(placed("Soft choir"))
    np.testing.assert_allclose(other, before * 10 ** (-6.13 / 20), atol=2e-6)
    assert "6.13 dB lower" in " ".join((out / "README.txt").read_text().split())


@pytest.mark.parametrize("channels", [1, 2])
def test_convolving_the_dry_stem_gives_the_placed_stem(tmp_path, channels):
    """Through the files and the stated gain, by scipy: the difference is below -90 dB."""
    rng = np.random.default_rng(5)
    dry = rng.standard_normal((channels, 30_000)) * 0.1
    responses = responses_of("x", taps=20_000, channels=channels)
    placed = sum(fftconvolve(d[None], r, axes=1) for d, r in zip(dry, responses, strict=True))
    found = write_responses(
        tmp_path, "x", responses, sample_rate=RATE, about=BroadcastWave("x", MOMENT), stem="x"
    )
    assert len(found.files) == channels
    loaded = [soundfile.read(tmp_path / name)[0].T for name in found.files]
    wet = sum(fftconvolve(d[None], r, axes=1) for d, r in zip(dry, loaded, strict=True))
    stated = float(f"{found.gain_db:.2f}")  # what the read-me says
    error = wet * 10 ** (stated / 20) - placed
    ratio = np.sum(np.square(error)) / np.sum(np.square(placed))
    assert 10 * np.log10(ratio) < -90.0


def test_responses_stay_below_full_scale_between_samples(tmp_path):
    """True peak by another interpolator (scipy, 16 times) is under 0 dBFS and near -1."""
    responses = responses_of("peak")
    found = write_responses(
        tmp_path, "p", responses, sample_rate=RATE, about=BroadcastWave("p", MOMENT), stem="p"
    )
    loaded, _ = soundfile.read(tmp_path / found.files[0])
    peak = 20 * np.log10(np.max(np.abs(resample_poly(loaded, 16, 1, axis=0))))
    assert peak == pytest.approx(-1.0, abs=0.3)
    assert peak < 0.0


def test_strange_responses_are_refused(tmp_path):
    """Silence and a wrong shape are mistakes of the caller, and said."""
    about = BroadcastWave("p", MOMENT)
    with pytest.raises(ValueError, match="silent"):
        write_responses(tmp_path, "p", np.zeros((1, 2, 9)), sample_rate=RATE, about=about, stem="p")
    with pytest.raises(ValueError, match=r"shape \(2, 9\)"):
        write_responses(tmp_path, "p", np.ones((2, 9)), sample_rate=RATE, about=about, stem="p")


def test_an_independent_midi_reader_finds_every_controller(exported):
    """A channel a track with volume, balance and pan; dry tracks pan, recorded ones balance."""
    result = result_facts()
    mix = mix_of(result, 1)
    file = mido.MidiFile(exported / "controllers-1.mid")
    assert (file.type, len(file.tracks)) == (1, 6)
    placed = [three for three in pairs(result, mix) if three[0]["kind"] != "direct"]
    for channel, ((track, _, after), events) in enumerate(
        zip(placed, file.tracks[1:], strict=True)
    ):
        assert events.name == track["name"]
        found = {e.control: e.value for e in events if e.type == "control_change"}
        assert {e.channel for e in events if e.type == "control_change"} == {channel}
        value = pan_value(after["pan"])
        expected = (value, 64) if track["kind"] == "dry" else (64, value)
        assert (found[10], found[8]) == expected
        shown = 40 * np.log10(found[7] / 100)
        assert shown == pytest.approx(after["make_up_db"], abs=0.15)
        assert events[-1].type == "end_of_track"


def test_more_than_sixteen_tracks_take_more_files():
    """Forty tracks: three files, channels 1 to 16 in each, no track lost."""
    result = result_facts(mixes=1)
    for mix in (result["reference"], *result["mixes"]):
        mix["tracks"] = [mix["tracks"][0] | {"name": f"Layer {n}"} for n in range(40)]
    result["tracks"] = [result["tracks"][0] | {"name": f"Layer {n}"} for n in range(40)]
    files = [
        mido.MidiFile(file=io.BytesIO(b)) for b in controller_files(result, result["mixes"][0])
    ]
    assert [len(file.tracks) - 1 for file in files] == [16, 16, 8]
    names = [track.name for file in files for track in file.tracks[1:]]
    assert names == [f"Layer {n}" for n in range(40)]


@pytest.mark.parametrize("pan", [-1.0, -0.35, 0.0, 0.2, 0.8, 1.0])
def test_pan_values_follow_the_default_pan_formula(pan):
    """RP-036: left = cos, right = sin of 90 degrees (value - 1) / 126, to half a step of ours."""
    angle = np.pi / 2 * (pan_value(pan) - 1) / 126
    left, right = pan_gains(pan)
    assert np.arctan2(right, left) == pytest.approx(angle, abs=np.pi / 2 / 126 / 2 + 1e-9)


def test_volumes_share_a_shift_when_a_make_up_is_too_large():
    """General MIDI: 40 log10(value / 127); +9 dB does not fit above 100, so all come down alike."""
    result = result_facts(mixes=1)
    mix = result["mixes"][0]
    for track, make_up in zip(mix["tracks"], (9.0, 0.0, -3.0, 0.0, 0.0, 0.0), strict=True):
        track["make_up_db"] = make_up
    shift = common_shift_db(result, mix)
    assert volume_value(9.0 + shift) == 127
    assert 40 * np.log10(volume_value(-3.0 + shift) / volume_value(shift)) == pytest.approx(
        -3, abs=0.3
    )


def test_the_preset_is_read_by_the_cue_reader_as_it_was_found(exported):
    """Each track starts where the mix has it; a position that is off stays off."""
    result = result_facts()
    seating = read_seating(exported / "seating.toml")
    for track, _, after in pairs(result, mix_of(result, 1)):
        if track["kind"] == "direct":
            continue
        start = seating.tracks[same_name(track["name"])]
        assert (list(start.seat) if start.seat else None) == after["seat"]
        assert start.blend_db == after["blend_db"]
        assert (start.pan, start.width) == pytest.approx((after["pan"], after["width"]))
        assert start.aligned == after["aligned"]
    assert "choir" in seating.sections


def test_another_cue_starts_from_the_preset(tmp_path):
    """A cue that names the file starts its tracks there, switched-off positions too."""
    result = result_facts()
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
    mix = {track["name"]: track for track in mix_of(result, 2)["tracks"]}
    assert list(dry.start.seat) == mix["Low strings bed"]["seat"]
    assert dry.start.pan == pytest.approx(mix["Low strings bed"]["pan"])
    gains = dict(zip(recorded.positions, recorded.start.blend_db, strict=True))
    assert gains == {"close": 3.0, "tree": -3.0, "hall": OFF_DB}


def test_the_preset_is_toml_whatever_a_track_is_called():
    """Quotes, backslashes and brackets in a name are read back by the standard library."""
    result = result_facts(mixes=1)
    name = 'a "b" \\c [d] # e'
    for mix in (result["reference"], *result["mixes"]):
        mix["tracks"][0]["name"] = name
    result["tracks"][0]["name"] = name
    assert name in tomllib.loads(seating_preset(result, result["mixes"][0]))["track"]


def test_the_sheets_are_those_of_the_mix(exported, run_folder):
    """CSV read back by the standard library; the printable page names every track."""
    result = json.loads((run_folder / "result.json").read_text())
    with (exported / "moves.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    assert rows == list(csv.reader(io.StringIO(moves_csv(result, 1))))
    page = (exported / "moves.html").read_text()
    assert "Low strings run" in page
    assert "&lt;fixed&gt;" in page
    assert "http" not in page


def test_the_read_me_states_gains_and_channels(exported):
    """The gain of each response, with and without the master's, and who is on which channel."""
    text = (exported / "README.txt").read_text()
    flat = " ".join(text.split())
    assert "harms hearing" in flat
    assert f"{MIDNIGHT} samples" in flat
    assert "file 1, channel 5: Struck metal" in flat
    loaded, _ = soundfile.read(exported / "responses" / "Horns.wav")
    raised = np.max(np.abs(loaded)) / np.max(np.abs(responses_of("Horns")))
    line = next(line for line in text.splitlines() if "Horns.wav" in line)
    whole, plain = (float(word) for word in line.split(": ")[1].replace(" dB", "").split(", "))
    assert whole == pytest.approx(-20 * np.log10(raised), abs=0.006)
    assert whole - plain == pytest.approx(1.0, abs=0.011)
    assert max(len(line) for line in text.splitlines()) <= 78


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

    def broken(_):
        raise ValueError("the room is gone")

    with pytest.raises(ValueError, match="the room is gone"):
        export(run_folder, 1, tmp_path / "c", source=Source(responses=broken))
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
