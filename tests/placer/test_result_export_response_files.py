"""Responses of dry tracks: as sound files read by soundfile, as SOFA files read by HDF5."""

from dataclasses import replace

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
from sim.room import Room
from tests.placer.export_source import FADERS, MOMENT, STAYS, responses_of
from tests.placer.result_run import RATE, run_result, write_run


def written(folder, before, after=None):
    after = before if after is None else after
    about = (BroadcastWave("reference", MOMENT), BroadcastWave("mix", MOMENT))
    return write_responses(folder, "x", before, after, sample_rate=RATE, about=about, stem="x")


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
    """Before and after a move, at the stated faders, whole or by position: to -90 dB."""
    dry = np.random.default_rng(5).standard_normal((channels, 30_000)) * 0.1
    states = [responses_of("x", rank, channels=channels) for rank in (0, 1)]
    found = written(tmp_path, *states)
    assert found.moves
    for state, loaded in zip(states, (found.before, found.after), strict=True):
        placed = placed_by(dry, state)
        assert len(loaded.files) == channels
        assert all(len(files) == channels for files in loaded.positions.values())
        stated = float(f"{loaded.fader_db:.2f}")  # what the read-me says
        wet = 10 ** (stated / 20) * convolved(dry, [tmp_path / name for name in loaded.files])
        assert relative_db(wet - placed, placed) < -90.0
        parts = 0.0
        for position, files in loaded.positions.items():
            assert all((tmp_path / name).is_file() for name in files)
            if loaded.faders_db[position] is not None:
                gain = 10 ** (loaded.faders_db[position] / 20)
                parts = parts + gain * convolved(dry, [tmp_path / name for name in files])
        assert relative_db(parts - placed, placed) < -90.0
    assert (found.before.faders_db["outriggers"], found.after.faders_db["hall"]) == (None, None)
    quieter = {at: 0.9 * one for at, one in states[0].positions.items()}
    found = written(tmp_path / "fits", states[0], replace(states[1], positions=quieter))
    assert found.before.fader_db == found.after.fader_db  # a move is another response, no more
    moved = found.after.faders_db["close"] - found.before.faders_db["close"]
    assert moved == pytest.approx(2.0 - 0.5)  # gain of the position and make-up


def test_what_stays_is_written_once(tmp_path):
    """Nothing differs, or a gain, or all but the hall: only what differs has two files."""
    before = responses_of("x")
    same = written(tmp_path / "same", before)
    assert not same.moves
    assert {path.parts[-2] for path in (tmp_path / "same").rglob("*.wav")} == {
        "reference", "positions",
    }  # fmt: skip
    louder = written(tmp_path / "louder", before, replace(before, gain_db=before.gain_db + 1.5))
    assert louder.before.files == louder.after.files == ("reference/x.wav",)
    assert louder.after.fader_db - louder.before.fader_db == pytest.approx(1.5)
    blend = written(
        tmp_path / "blend", before, replace(before, faders_db=before.faders_db | {"tree": -4.0})
    )
    assert blend.after.files == ("x.wav",)
    assert blend.after.positions == blend.before.positions
    turned = {at: one if at == "hall" else one[:, ::-1] for at, one in before.positions.items()}
    pan = written(tmp_path / "pan", before, replace(before, positions=turned))
    new = sorted(path.name for path in (tmp_path / "pan" / "positions").iterdir())
    assert new == ["x close.wav", "x outriggers.wav", "x tree.wav"]
    assert pan.after.positions["hall"] == ("reference/positions/x hall.wav",)
    assert pan.after.files == ("x.wav",)


def peaks_of(folder, files):
    """True peaks in dB by another interpolator than ours: scipy, 16 times."""
    sounds = [soundfile.read(folder / file)[0] for file in files]
    return [20 * np.log10(np.max(np.abs(resample_poly(one, 16, 1, axis=0)))) for one in sounds]


def test_responses_stay_below_full_scale_between_samples(tmp_path):
    """The loudest of the reference at -1 dBTP; what would exceed that in the mix is lowered."""
    before = responses_of("peak")
    quiet = {at: 0.5 * one for at, one in before.positions.items()}
    found = written(tmp_path, before, replace(before, positions=quiet))
    for files in (found.before.files, sum(found.before.positions.values(), ())):
        assert max(peaks_of(tmp_path, files)) == pytest.approx(-1.0, abs=0.3)
    for files in (found.after.files, sum(found.after.positions.values(), ())):
        assert max(peaks_of(tmp_path, files)) == pytest.approx(-7.0, abs=0.3)
    loud = {at: one if at == "hall" else 5.0 * one for at, one in before.positions.items()}
    found = written(tmp_path / "loud", before, replace(before, positions=loud))
    new = [files[0] for at, files in found.after.positions.items() if at != "hall"]
    for files in (found.after.files, new):
        assert max(peaks_of(tmp_path / "loud", files)) == pytest.approx(-1.0, abs=0.3)
    fader, lowered = (
        found.after.fader_db - found.before.fader_db,
        found.after.faders_db["close"] - found.before.faders_db["close"],
    )
    assert fader > 3.0
    assert lowered > 3.0
    assert found.after.faders_db["hall"] == found.before.faders_db["hall"]
    dry = np.random.default_rng(6).standard_normal((1, 9000))
    placed = placed_by(dry, replace(before, positions=loud))
    wet = convolved(dry, [tmp_path / "loud" / name for name in found.after.files])
    assert relative_db(10 ** (found.after.fader_db / 20) * wet - placed, placed) < -90.0
    parts = sum(
        10 ** (gain / 20)
        * convolved(dry, [tmp_path / "loud" / f for f in found.after.positions[at]])
        for at, gain in found.after.faders_db.items()
        if gain is not None
    )
    assert relative_db(parts - placed, placed) < -90.0


def test_the_reference_is_the_same_whatever_the_mix(tmp_path):
    """Files and faders alike, so that it is set up once for all mixes of a run."""
    found = [
        written(tmp_path / str(rank), responses_of("x"), responses_of("x", rank)) for rank in (1, 2)
    ]
    assert found[0].before == found[1].before
    after = [soundfile.read(tmp_path / rank / "x.wav")[0] for rank in ("1", "2")]
    assert not np.array_equal(*after)
    for path in (tmp_path / "1" / "reference").rglob("*.wav"):
        other = tmp_path / "2" / path.relative_to(tmp_path / "1")
        np.testing.assert_array_equal(soundfile.read(path)[0], soundfile.read(other)[0])


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
    moved = [name for name in dry if name != STAYS]
    assert len(moved) == len(dry) - 1
    for place, names in (("responses/reference", dry), ("responses", moved)):
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
    assert [path.name for path in (place / "sofa").iterdir()] == ["Low strings bed.sofa"]
    with h5py.File(place / "reference" / "sofa" / "Low strings run.sofa") as file:
        assert file.attrs["Title"] == b"Invented cue <1>, reference: Low strings run"
    with h5py.File(place / "sofa" / "Low strings bed.sofa") as file:
        assert file.attrs["Title"] == b"Invented cue <1>, mix 1: Low strings bed"
    assert (place / "Low strings run.wav").is_file()
