"""Names and files at the edge of what systems and formats allow, on the way in and out."""

import os
import struct
import unicodedata
from pathlib import Path

import numpy as np
import pytest
import soundfile
import wavinfo
from hypothesis import given
from hypothesis import strategies as st

from placer.audio.files import info, open_blocks, read_stem
from placer.cue.draft import draft
from placer.cue.names import made_safe, name_problem, same_name
from placer.cue.read import read_cue
from placer.errors import AudioError, FolderError
from placer.result.export.package import ExportSource, export
from placer.result.export.response_files import write_responses
from placer.result.export.start import start_time
from placer.result.export.wave import BroadcastWave, write_broadcast
from sim.room import Room
from tests.placer.export_source import MOMENT, responses_of
from tests.placer.result_run import RATE, write_run

RESERVED = ["CON", "prn", "Aux.wav", "nul", "COM1", "lpt9.x", "COM¹", "LPT³", "CONIN$", "conout$.a"]
"""Device names of Microsoft, Naming Files, Paths, and Namespaces; CONIN$ and CONOUT$ of its
console handles."""


@pytest.mark.parametrize("name", RESERVED)
def test_names_of_devices_are_no_names(name):
    """A system that keeps them would open a device instead of a file."""
    assert "name of a device" in name_problem(name)
    assert name_problem(made_safe(name)) == ""


@given(st.text(min_size=1, max_size=40))
def test_a_name_that_is_allowed_is_the_name_of_its_file(name):
    """Composed letters, nothing else changed: so no two tracks share a file."""
    if name_problem(name) == "":
        assert made_safe(name) == unicodedata.normalize("NFC", name)
        assert name_problem(made_safe(name)) == ""
        assert same_name(made_safe(name)) == same_name(name)


def test_decomposed_letters_are_written_composed(tmp_path):
    """A name as some systems keep it (NFD) becomes one file name (NFC) in every folder."""
    name = "Größe é"
    folder, files = renamed_run(tmp_path / "run", unicodedata.normalize("NFD", name))
    source = ExportSource(
        responses=lambda track, rank: responses_of(track, rank, known=True),
        placed=files.__getitem__,
        room=Room(),
    )
    out = export(folder, 1, tmp_path / "out", source=source).folder
    written = [path.name for path in out.rglob("*") if "Gr" in path.name]
    assert f"{name}.wav" in written
    assert f"{name}.sofa" in written
    assert f"01 {name}.wav" in written
    assert len(written) == 1 + 2 * 6  # stem; twice whole, four positions, microphones
    assert all(unicodedata.is_normalized("NFC", one) for one in written)


def renamed_run(folder, name):
    """A run whose first track has another name, and the file of each placed stem."""
    result = write_run(folder, mixes=1, seconds=0.5)
    files = {t.name: folder / "placed" / "01" / f"{t.name}.wav" for t in result.tracks}
    old = result.tracks[0].name
    text = (folder / "result.json").read_text(encoding="utf-8").replace(f'"{old}"', f'"{name}"')
    (folder / "result.json").write_text(text, encoding="utf-8")
    return folder, files | {name: files[old]}


def test_two_tracks_never_share_a_response(tmp_path):
    """A track called as the left half of another is refused, not written over."""
    common = {"sample_rate": RATE, "number": "01"}
    two, one = responses_of("x", channels=2), responses_of("y")
    write_responses(tmp_path, "x", two, two, stem="x", **common)
    with pytest.raises(FolderError, match=r"x from-left\.wav: is there already.*rename"):
        write_responses(tmp_path, "y", one, one, stem="x from-left", **common)


def deep(folder, length=400):
    """A folder whose path is as long as `length`."""
    while len(str(folder)) < length - 60:
        folder = folder / ("d" * 50)
    folder.mkdir(parents=True)
    return folder


def tone(seconds=1.0, rate=RATE):
    time = np.arange(round(seconds * rate)) / rate
    return 0.2 * np.sin(2 * np.pi * 220 * time) * np.exp(-4 * (4 * time % 1))


def test_paths_of_four_hundred_characters(tmp_path):
    """Stems, the draft of a cue and an export lie as deep as that."""
    folder = deep(tmp_path / "stems")
    stem = folder / f"{'celli ' * 9}.wav"
    soundfile.write(stem, tone(), RATE)
    assert len(str(stem)) >= 390
    cue = read_cue(draft(folder))
    assert [len(str(path)) >= 390 for path in cue.tracks[0].files] == [True]
    assert info(stem).frames == RATE
    write_run(tmp_path / "run", mixes=1, seconds=0.5)
    out = export(tmp_path / "run", 1, deep(tmp_path / "out") / "session").folder
    assert min(len(str(path)) for path in (out / "stems").iterdir()) >= 380
    assert (out / "session.aaf").is_file()


def test_many_channels_are_refused_with_a_way_on(tmp_path):
    """A file of 64 channels is no stem: the message says what to export, and a draft goes on."""
    wide = tmp_path / "everything.wav"
    soundfile.write(wide, np.tile(tone()[:, None], (1, 64)), RATE)
    with pytest.raises(AudioError, match="has 64 channels, allowed: 1 or 2; export each"):
        info(wide)
    soundfile.write(tmp_path / "celli.wav", tone(), RATE)
    path = draft(tmp_path)
    assert [track.name for track in read_cue(path).tracks] == ["celli"]
    assert "# Left out:\n#   'everything.wav': has 64 channels" in path.read_text()


@pytest.mark.parametrize("rate", [44100, 88200, 96000, 176400, 192000])
def test_every_usual_rate_goes_in_and_out(tmp_path, rate):
    """Read at its own rate sample for sample, written as Broadcast Wave at that rate."""
    sound = tone(0.5, rate)
    soundfile.write(tmp_path / "in.wav", sound, rate, subtype="PCM_24")
    found = read_stem(tmp_path / "in.wav", rate)
    assert (found.source_rate, found.resampled) == (rate, False)
    about = BroadcastWave("x", MOMENT, 36_000 * rate + 1)
    write_broadcast(tmp_path / "out.wav", [found.samples], rate, channels=1, about=about)
    read, read_rate = soundfile.read(tmp_path / "out.wav")
    assert read_rate == rate
    np.testing.assert_allclose(read, sound, atol=2.0**-23)
    assert wavinfo.WavInfoReader(str(tmp_path / "out.wav")).bext.time_reference == 36_000 * rate + 1


def large_rf64(path: Path, seconds: int, rate=192000, channels=2):
    """A sparse RF64 file (EBU Tech 3306) of 32-bit floats with one sample near its end."""
    frame = 4 * channels
    frames = seconds * rate
    sound = frames * frame
    bext = bytearray(602)
    bext[338:346] = struct.pack("<Q", 3600 * rate)
    chunks = struct.pack("<4sI", b"bext", len(bext)) + bytes(bext)
    chunks += struct.pack("<4sIHHIIHH", b"fmt ", 16, 3, channels, rate, rate * frame, frame, 32)
    whole = 4 + 8 + 28 + len(chunks) + 8 + sound
    head = b"RF64\xff\xff\xff\xffWAVE"
    head += struct.pack("<4sIQQQI", b"ds64", 28, whole, sound, frames, 0)
    head += chunks + b"data\xff\xff\xff\xff"
    with path.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + sound)
        file.seek(len(head) + sound - rate * frame)  # a second before the end
        file.write(struct.pack("<ff", 0.25, -0.5))
    return frames


def test_files_over_four_gigabytes_are_read_to_their_end(tmp_path):
    """RF64: length, a span beyond 4 GiB, block by block from there, and the start time."""
    path = tmp_path / "large.wav"
    frames = large_rf64(path, 2900)
    assert path.stat().st_size > 1 << 32
    assert path.stat().st_blocks * 512 < 1 << 20  # sparse: it takes no room
    assert info(path).frames == frames
    found = read_stem(path, 192000, span=(2899.0, 2899.5))
    assert found.samples.shape == (2, 96000)
    np.testing.assert_array_equal(found.samples[:, 0], [0.25, -0.5])
    assert start_time(path) == 3600
    with open_blocks(path, 192000) as reader:
        assert reader.frames == frames


def test_an_export_leaves_the_originals_alone(tmp_path):
    """Read-only stems in a read-only folder: nothing there is written, opened for it or touched."""
    folder = tmp_path / "stems"
    folder.mkdir()
    path = folder / "celli.wav"
    soundfile.write(path, tone(), RATE)
    path.chmod(0o444)
    folder.chmod(0o555)
    before = {one: (one.stat().st_mtime_ns, one.read_bytes()) for one in folder.iterdir()}
    try:
        cue = read_cue(draft(folder, tmp_path / "cue.toml"))
        assert info(cue.tracks[0].files[0]).frames == RATE
        assert read_stem(path, RATE).samples.shape == (1, RATE)
        assert start_time(path) is None
        assert {p: (p.stat().st_mtime_ns, p.read_bytes()) for p in folder.iterdir()} == before
        if os.geteuid() != 0:  # root may write anywhere
            with pytest.raises(Exception, match="choose --out"):
                draft(folder)
    finally:
        folder.chmod(0o755)
