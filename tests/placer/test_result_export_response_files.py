"""Responses of dry tracks: as sound files read by soundfile, as SOFA files read by HDF5."""

from dataclasses import replace

import h5py
import numpy as np
import pytest
import sofar
import soundfile
from scipy.signal import fftconvolve

from placer.result.export import sofa
from placer.result.export.package import ExportSource, export
from placer.result.export.response_files import Microphones, TrackResponses, write_responses
from placer.result.export.sofa import sofa_axes, write_sofa
from sim.room import Room
from tests.placer.export_source import FADERS, MOMENT, STAYS, responses_of
from tests.placer.result_run import RATE, run_result, write_run


def written(folder, before, after=None):
    after = before if after is None else after
    return write_responses(folder, "x", before, after, stem="x", number="02b", sample_rate=RATE)


def convolved(dry, files):
    """A dry stem through one response a channel, by scipy."""
    loaded = [soundfile.read(file)[0].T for file in files]
    return sum(fftconvolve(d[None], r, axes=1) for d, r in zip(dry, loaded, strict=True))


def relative_db(error, whole):
    return 10 * np.log10(np.sum(np.square(error)) / np.sum(np.square(whole)))


def placed_by(dry, responses):
    """The placed stem, by scipy from the arrays."""
    placed = 0.0
    for position, gain in responses.faders_db.items():
        if gain is not None:
            pairs = zip(dry, responses.positions[position], strict=True)
            heard = sum(fftconvolve(d[None], r, axes=1) for d, r in pairs)
            placed = placed + 10 ** ((gain + responses.gain_db) / 20) * heard
    return placed


@pytest.mark.parametrize("channels", [1, 2])
def test_convolving_the_dry_stem_gives_the_placed_stem(tmp_path, channels):
    """Before and after a move, the fader at 0 dB, or by position at the stated ones: to -120 dB.

    A float of 32 bits holds 24 of a number, whatever its size (IEEE 754).
    """
    dry = np.random.default_rng(5).standard_normal((channels, 30_000)) * 0.1
    states = [responses_of("x", rank, channels=channels) for rank in (0, 1)]
    found = written(tmp_path, *states)
    assert found.moves
    for state, loaded in zip(states, (found.before, found.after), strict=True):
        placed = placed_by(dry, state)
        assert len(loaded.files) == channels
        assert all(len(files) == channels for files in loaded.positions.values())
        wet = convolved(dry, [tmp_path / name for name in loaded.files])
        assert relative_db(wet - placed, placed) < -120.0
        parts = 0.0
        for position, files in loaded.positions.items():
            assert all((tmp_path / name).is_file() for name in files)
            if loaded.faders_db[position] is not None:
                gain = 10 ** ((loaded.faders_db[position] + loaded.gain_db) / 20)
                parts = parts + gain * convolved(dry, [tmp_path / name for name in files])
        assert relative_db(parts - placed, placed) < -120.0
    assert (found.before.faders_db["outriggers"], found.after.faders_db["hall"]) == (None, None)
    assert found.before.gain_db == 0.0  # the faders of the reference are those of the sheet
    assert found.after.gain_db == pytest.approx(-0.5)  # make-up against the reference


def test_what_stays_is_written_once(tmp_path):
    """Nothing differs, or a gain, or all but the hall: only what differs has two files."""
    before = responses_of("x")
    same = written(tmp_path / "same", before, replace(before, gain_db=before.gain_db + 1e-9))
    assert not same.moves
    assert same.before == same.after
    assert {path.parts[-2] for path in (tmp_path / "same").rglob("*.wav")} == {
        "reference", "positions",
    }  # fmt: skip
    louder = written(tmp_path / "louder", before, replace(before, gain_db=before.gain_db + 1.5))
    assert louder.before.files == ("reference/x.wav",)
    assert louder.after.files == ("moves/02b x.wav",)
    assert louder.after.gain_db == pytest.approx(1.5)
    assert louder.after.positions == louder.before.positions
    blend = written(
        tmp_path / "blend", before, replace(before, faders_db=before.faders_db | {"tree": -4.0})
    )
    assert blend.after.files == ("moves/02b x.wav",)
    assert blend.after.positions == blend.before.positions
    turned = {at: one if at == "hall" else one[:, ::-1] for at, one in before.positions.items()}
    pan = written(tmp_path / "pan", before, replace(before, positions=turned))
    new = sorted(path.name for path in (tmp_path / "pan" / "moves" / "positions").iterdir())
    assert new == ["02b x close.wav", "02b x outriggers.wav", "02b x tree.wav"]
    assert pan.after.positions["hall"] == ("reference/positions/x hall.wav",)
    assert pan.after.files == ("moves/02b x.wav",)


@pytest.mark.parametrize("gain_db", [-60.0, 0.0, 40.0])
def test_a_response_keeps_its_level_far_below_and_above_full_scale(tmp_path, gain_db):
    """32-bit float: nothing is clipped, normalised or lost, and the same sound is the same file."""
    before = responses_of("x")
    after = replace(before, gain_db=gain_db)
    for folder in ("one", "two"):
        found = written(tmp_path / folder, before, after)
    (file,) = found.after.files
    assert soundfile.info(tmp_path / "one" / file).subtype == "FLOAT"
    sound = soundfile.read(tmp_path / "one" / file)[0].T
    assert relative_db(sound - after.whole[0], sound) < -120.0
    assert (np.max(np.abs(sound)) > 1.0) == (gain_db > 0.0)
    assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()


def test_the_reference_is_the_same_whatever_the_mix(tmp_path):
    """Files and faders alike, so that it is set up once for all mixes of a run."""
    found = [
        written(tmp_path / str(rank), responses_of("x"), responses_of("x", rank)) for rank in (1, 2)
    ]
    assert found[0].before == found[1].before
    after = [(tmp_path / rank / "moves" / "02b x.wav").read_bytes() for rank in ("1", "2")]
    assert after[0] != after[1]
    files = list((tmp_path / "1" / "reference").rglob("*.wav"))
    assert len(files) == 5
    for path in files:
        assert path.read_bytes() == (tmp_path / "2" / path.relative_to(tmp_path / "1")).read_bytes()


def test_strange_responses_are_refused(tmp_path):
    """A wrong shape is a mistake of the caller, and said."""
    with pytest.raises(ValueError, match=r"x: responses of shape \(2, 9\)"):
        written(tmp_path, TrackResponses({"close": np.ones((2, 9))}, {"close": 0.0}, 0.0))


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
    source = ExportSource(
        responses=lambda name, rank: responses_of(name, rank, known=True), room=Room()
    )
    done = export(tmp_path / "run", 1, tmp_path / "out", source=source)
    assert len(done.notes) == 1
    assert "the package sofar is missing" in done.notes[0]
    assert "the package sofar is missing" in " ".join(
        (done.folder / "README.txt").read_text().split()
    )
    assert not list(done.folder.rglob("*.sofa"))


def test_every_dry_track_has_its_files(tmp_path):
    """The reference of all, the mix of those that move; nothing for recorded and fixed tracks."""
    write_run(tmp_path / "run", mixes=1, seconds=0.5)
    source = ExportSource(
        responses=lambda name, rank: responses_of(name, rank, known=True), room=Room()
    )
    done = export(tmp_path / "run", 1, tmp_path / "out", source=source)
    dry = [track.name for track in run_result().tracks if track.kind == "dry"]
    moved = ["01 Low strings run", "03a Low strings bed"]
    assert [name.split(" ", 1)[1] for name in moved] == [name for name in dry if name != STAYS]
    for place, names in (("responses/reference", dry), ("responses/moves", moved)):
        folder = done.folder / place
        assert sorted(path.stem for path in (folder / "sofa").iterdir()) == sorted(names)
        wanted = [f"{name} {position}.wav" for name in names for position in FADERS]
        assert sorted(path.name for path in (folder / "positions").iterdir()) == sorted(wanted)
        assert sorted(path.stem for path in folder.glob("*.wav")) == sorted(names)
    assert done.notes == ()


def test_microphones_of_a_mix_are_written_where_they_differ(tmp_path):
    """A seat that stays has one SOFA file, that of the reference, by its title too."""
    write_run(tmp_path / "run", mixes=1, seconds=0.5)
    still = responses_of("x", known=True).microphones

    def responses(name, rank):
        found = responses_of(name, rank, known=True)
        return replace(found, microphones=still) if name.endswith("run") else found

    done = export(
        tmp_path / "run", 1, tmp_path / "out", source=ExportSource(responses, room=Room())
    )
    place = done.folder / "responses"
    moves = place / "moves"
    assert [path.name for path in (moves / "sofa").iterdir()] == ["03a Low strings bed.sofa"]
    with h5py.File(place / "reference" / "sofa" / "Low strings run.sofa") as file:
        assert file.attrs["Title"] == b"Invented cue <1>, reference: Low strings run"
    with h5py.File(moves / "sofa" / "03a Low strings bed.sofa") as file:
        assert file.attrs["Title"] == b"Invented cue <1>, mix 1: Low strings bed"
    assert (moves / "01 Low strings run.wav").is_file()
