"""Responses of dry tracks: as sound files read by soundfile, as SOFA files read by HDF5."""

import h5py
import numpy as np
import pytest
import sofar
import soundfile
from scipy.signal import fftconvolve, resample_poly

from placer.result.export import sofa
from placer.result.export.package import ExportSource, export
from placer.result.export.response_files import Microphones, TrackResponses, write_responses
from placer.result.export.sofa import sofa_axes, write_sofa
from placer.result.export.wave import BroadcastWave
from placer.result.facts import mix_of
from sim.room import Room
from tests.placer.export_source import MOMENT, responses_of
from tests.placer.result_run import RATE, run_result, write_run

ABOUT = BroadcastWave("x", MOMENT)


def written(folder, found):
    return write_responses(folder, "x", found, sample_rate=RATE, about=ABOUT, stem="x")


def convolved(dry, files):
    """A dry stem through one response a channel, by scipy."""
    loaded = [soundfile.read(file)[0].T for file in files]
    return sum(fftconvolve(d[None], r, axes=1) for d, r in zip(dry, loaded, strict=True))


def relative_db(error, whole):
    return 10 * np.log10(np.sum(np.square(error)) / np.sum(np.square(whole)))


@pytest.mark.parametrize("channels", [1, 2])
def test_convolving_the_dry_stem_gives_the_placed_stem(tmp_path, channels):
    """Through the files at the stated faders, whole or by position: to -90 dB."""
    rng = np.random.default_rng(5)
    dry = rng.standard_normal((channels, 30_000)) * 0.1
    responses = responses_of("x", channels=channels)
    placed = 0.0
    for position, gain in responses.faders_db.items():
        if gain is not None:
            pairs = zip(dry, responses.positions[position], strict=True)
            heard = sum(fftconvolve(d[None], r, axes=1) for d, r in pairs)
            placed = placed + 10 ** ((gain + responses.gain_db) / 20) * heard
    found = written(tmp_path, responses)
    assert len(found.files) == channels
    assert all(len(files) == channels for files in found.positions.values())
    stated = float(f"{found.gain_db:.2f}")  # what the read-me says
    wet = 10 ** (stated / 20) * convolved(dry, [tmp_path / name for name in found.files])
    assert relative_db(wet - placed, placed) < -90.0
    parts = 0.0
    for position, files in found.positions.items():
        if found.faders_db[position] is not None:
            gain = 10 ** (found.faders_db[position] / 20)
            places = [tmp_path / "positions" / name for name in files]
            parts = parts + gain * convolved(dry, places)
    assert relative_db(parts - placed, placed) < -90.0
    assert found.faders_db["outriggers"] is None
    assert (tmp_path / "positions" / found.positions["outriggers"][0]).is_file()


def test_responses_stay_below_full_scale_between_samples(tmp_path):
    """True peak by another interpolator (scipy, 16 times) is under 0 dBFS and near -1."""
    found = written(tmp_path, responses_of("peak"))
    positions = [f"positions/{file}" for files in found.positions.values() for file in files]
    for group in (found.files, positions):
        sounds = [soundfile.read(tmp_path / file)[0] for file in group]
        peaks = [20 * np.log10(np.max(np.abs(resample_poly(one, 16, 1, axis=0)))) for one in sounds]
        assert max(peaks) == pytest.approx(-1.0, abs=0.3)
        assert max(peaks) < 0.0


def test_strange_responses_are_refused(tmp_path):
    """Silence and a wrong shape are mistakes of the caller, and said."""
    for array, words in ((np.zeros((1, 2, 9)), "silent"), (np.ones((2, 9)), r"shape \(2, 9\)")):
        with pytest.raises(ValueError, match=words):
            written(tmp_path, TrackResponses({"close": array}, {"close": 0.0}, 0.0))


def microphones(sources=2, seed=3):
    rng = np.random.default_rng(seed)
    return Microphones(
        responses=rng.standard_normal((sources, 3, 500)),
        names=("close", "tree left", "tree right"),
        places=np.array([[2.0, 4.0, 1.5], [-1.0, 0.5, 3.0], [1.0, 0.5, 3.0]]),
        aims=np.array([[0.0, 0.6, -0.8], [0.0, 1.0, 0.0], [0.0, 0.0, -1.0]]),
        sources=np.array([[1.5, 5.0, 1.2], [2.5, 5.0, 1.2]])[:sources],
    )


@pytest.mark.parametrize("sources", [1, 2])
def test_a_sofa_file_is_read_by_another_library(tmp_path, sources):
    """Plain HDF5 (h5py): responses to a float, axes by hand: ahead is x, left is y, up is z."""
    found = microphones(sources)
    path = tmp_path / "Horns 1.5.sofa"
    room = Room(width=20.0, depth=30.0, height=11.0, conductor=12.0, temperature=21.0)
    write_sofa(path, found, title="a track", room=room, sample_rate=RATE, moment=MOMENT)
    with h5py.File(path) as file:
        assert file.attrs["SOFAConventions"] == b"SingleRoomMIMOSRIR"
        assert file.attrs["Title"] == b"a track"
        assert file.attrs["DateCreated"] == b"2025-03-04 05:06:07"
        assert file["Data.IR"].shape == (1, 3, 500, sources)  # M, R, N, E
        for emitter in range(sources):
            stored = file["Data.IR"][0, :, :, emitter]
            np.testing.assert_array_equal(stored, found.responses[emitter].astype(np.float32))
        assert file["Data.SamplingRate"][0] == RATE
        close = file["ReceiverPosition"][0, :, 0]
        np.testing.assert_allclose(close, [4.0, -2.0, 1.5])
        np.testing.assert_allclose(file["ReceiverView"][0, :, 0], [0.6, 0.0, -0.8])
        np.testing.assert_allclose(file["ReceiverUp"][0, :, 0], [0.8, 0.0, 0.6], atol=1e-12)
        source = file["SourcePosition"][0]
        emitters = np.reshape(file["EmitterPosition"], (-1, 3)) + source
        np.testing.assert_allclose(emitters, sofa_axes(found.sources))
        np.testing.assert_allclose(file["RoomCornerA"][:].ravel(), [-12.0, -10.0, 0.0])
        np.testing.assert_allclose(file["RoomCornerB"][:].ravel(), [18.0, 10.0, 11.0])
        assert file["RoomTemperature"][:].ravel()[0] == pytest.approx(294.15)


def test_a_sofa_file_meets_its_convention(tmp_path):
    """The library's own check of AES69 finds nothing wrong in what it reads back."""
    path = tmp_path / "a.sofa"
    write_sofa(path, microphones(), title="t", room=Room(), sample_rate=RATE, moment=MOMENT)
    read = sofar.read_sofa(str(path), verify=True, verbose=False)
    assert list(read.ReceiverDescriptions) == ["close", "tree left", "tree right"]
    assert list(read.EmitterDescriptions) == ["left channel", "right channel"]


def test_a_missing_library_is_said_in_one_line(tmp_path, monkeypatch):
    """Without the package there are no SOFA files, and the read-me and the screen say so."""
    monkeypatch.setattr(sofa.importlib.util, "find_spec", lambda _: None)
    write_run(tmp_path / "run", mixes=1, seconds=0.5)
    source = ExportSource(responses=lambda name: responses_of(name, known=True), room=Room())
    done = export(tmp_path / "run", 1, tmp_path / "out", source=source)
    assert len(done.notes) == 1
    assert "the package sofar is missing" in done.notes[0]
    assert "the package sofar is missing" in " ".join(
        (done.folder / "README.txt").read_text().split()
    )
    assert not list(done.folder.rglob("*.sofa"))


def test_every_dry_track_has_its_files(tmp_path):
    """Whole, by position and by microphone; nothing for recorded and fixed tracks."""
    write_run(tmp_path / "run", mixes=1, seconds=0.5)
    source = ExportSource(responses=lambda name: responses_of(name, known=True), room=Room())
    done = export(tmp_path / "run", 1, tmp_path / "out", source=source)
    dry = [track.name for track in run_result().tracks if track.kind == "dry"]
    place = done.folder / "responses"
    assert sorted(path.stem for path in (place / "sofa").iterdir()) == sorted(dry)
    wanted = [f"{name} {position}.wav" for name in dry for position in responses_of("x").positions]
    assert sorted(path.name for path in (place / "positions").iterdir()) == sorted(wanted)
    assert done.notes == ()
    assert mix_of(run_result(), 1).rank == 1
