"""Stems are read whole, aligned and untouched, or refused in one clear line."""

from __future__ import annotations

import os
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from placer.audio.atomic import part_name, write_text
from placer.audio.checks import MAX_SECONDS, missing_bytes
from placer.audio.files import (
    content_hash,
    info,
    open_blocks,
    read_stem,
    write_blocks,
    write_wav,
)
from placer.audio.resample import output_frames, resample
from placer.errors import AudioError, FolderError

RATE = 48000


def noise(frames: int = 9600, channels: int = 2, seed: int = 1) -> np.ndarray:
    return 0.1 * np.random.default_rng(seed).standard_normal((channels, frames))


def stored(path: Path, samples: np.ndarray, rate: int = RATE, **how: str) -> Path:
    soundfile.write(path, samples.T, rate, **how)
    return path


def tone_burst(rate: int, seconds: float = 1.0) -> np.ndarray:
    """Make a Gaussian burst of 700 Hz around 0.5 s: the same function of time at every rate."""
    time = np.arange(round(seconds * rate)) / rate
    return (np.sin(2 * np.pi * 700.0 * time) * np.exp(-(((time - 0.5) / 0.05) ** 2)))[None, :]


@pytest.mark.parametrize(
    ("name", "subtype", "step"),
    [
        ("a.wav", "PCM_16", 2**-15),
        ("a.wav", "PCM_24", 2**-23),
        ("a.wav", "PCM_32", 2**-23),
        ("a.wav", "FLOAT", 2**-24),
        ("a.wav", "DOUBLE", 2**-24),
        ("a.flac", "PCM_16", 2**-15),
        ("a.flac", "PCM_24", 2**-23),
        ("a.aiff", "PCM_16", 2**-15),
        ("a.aiff", "PCM_24", 2**-23),
        ("a.aiff", "FLOAT", 2**-24),
    ],
)
def test_every_format_gives_the_samples_that_were_stored(
    tmp_path: Path, name: str, subtype: str, step: float
) -> None:
    """Within one step of the stored format (or of float32), channel by channel."""
    samples = noise()
    stem = read_stem(stored(tmp_path / name, samples, subtype=subtype), RATE)
    assert stem.samples.dtype == np.float32
    assert stem.samples.shape == samples.shape
    assert not stem.resampled
    assert np.abs(stem.samples - samples).max() <= 1.01 * step


@pytest.mark.parametrize("rate", [8000, 11025, 22050, 44100, 88200, 96000, 176400, 192000])
def test_any_sample_rate_keeps_time_zero(tmp_path: Path, rate: int) -> None:
    """A tone burst stored at another rate equals the same burst made at 48 kHz, to -100 dB."""
    stem = read_stem(stored(tmp_path / "a.wav", tone_burst(rate), rate, subtype="FLOAT"), RATE)
    assert stem.resampled
    assert stem.source_rate == rate
    assert stem.samples.shape == (1, RATE)
    assert np.abs(stem.samples - tone_burst(RATE)).max() < 1e-5


def test_leading_silence_is_kept(tmp_path: Path) -> None:
    """A note that begins at 0.05 s still begins there after reading, with or without conversion."""
    for rate in (48000, 96000):
        samples = np.zeros((1, rate // 10))
        samples[0, rate // 20 :] = noise(rate // 20, 1)
        stem = read_stem(stored(tmp_path / f"{rate}.wav", samples, rate), RATE)
        before, after = stem.samples[0, : RATE // 20 - 24], stem.samples[0, RATE // 20 + 24 :]
        assert np.abs(before).max() < 0.02 * np.abs(after).max()


@given(
    frames=st.integers(500, 40000),
    rates=st.sampled_from([(44100, 48000), (48000, 44100), (96000, 48000), (11025, 48000)]),
)
@settings(max_examples=25, deadline=None)
def test_length_after_conversion_is_rounded_ratio(frames: int, rates: tuple[int, int]) -> None:
    """A stem of n frames becomes round(n * new / old), whatever n."""
    old, new = rates
    made = resample(np.ones((1, frames), np.float32), old, new)
    assert made.shape[1] == output_frames(frames, old, new)
    assert abs(made.shape[1] - frames * new / old) <= 0.5


@pytest.mark.parametrize("rate", [48000, 44100, 96000])
def test_blocks_joined_equal_the_whole(tmp_path: Path, rate: int) -> None:
    """Reading piece by piece, in uneven pieces, gives what reading at once gives."""
    path = stored(tmp_path / "a.flac", noise(3 * rate + 17), rate)
    whole = read_stem(path, RATE).samples
    with open_blocks(path, RATE) as reader:
        assert reader.frames == whole.shape[1]
        pieces, sizes = [], [1, 7000, 65536, 65537, 10]
        for turn in range(1000):
            pieces.append(reader.read(sizes[turn % len(sizes)]))
            if not pieces[-1].shape[1]:
                break
    joined = np.concatenate(pieces, axis=1)
    assert joined.shape == whole.shape
    assert np.abs(joined - whole).max() < 1e-6


@pytest.mark.parametrize("rate", [48000, 44100, 96000, 8000])
@pytest.mark.parametrize("span", [(0.0, 0.5), (1.1, 2.3456), (2.5, 4.0), (5.0, 6.0)])
def test_a_span_equals_that_part_of_the_whole(
    tmp_path: Path, rate: int, span: tuple[float, float]
) -> None:
    """An excerpt is sample for sample the part of the converted whole, silent beyond the end."""
    path = stored(tmp_path / "a.wav", noise(3 * rate), rate, subtype="FLOAT")
    whole = np.zeros((2, 6 * RATE + 1))
    samples = read_stem(path, RATE).samples
    whole[:, : samples.shape[1]] = samples
    first, last = round(span[0] * RATE), round(span[1] * RATE)
    part = read_stem(path, RATE, span=span).samples
    assert part.shape == (2, last - first)
    assert np.abs(part - whole[:, first:last]).max() < 1e-6


def test_a_stem_in_memory_cannot_be_changed(tmp_path: Path) -> None:
    """Samples are read-only, so no later step can alter what another one heard."""
    stem = read_stem(stored(tmp_path / "a.wav", noise()), RATE)
    with pytest.raises(ValueError, match="read-only"):
        stem.samples[0, 0] = 1.0


def test_content_hash_names_the_bytes(tmp_path: Path) -> None:
    """Equal bytes, equal name; one sample different, another name."""
    one, two = noise(), noise()
    two[0, 5] += 0.1
    first = content_hash(stored(tmp_path / "a.wav", one))
    assert first == content_hash(stored(tmp_path / "b.wav", one))
    assert first != content_hash(stored(tmp_path / "c.wav", two))
    with pytest.raises(AudioError, match="cannot be read"):
        content_hash(tmp_path / "none.wav")


# -- what is refused -----------------------------------------------------------------------------


def cut(path: Path, share: float) -> Path:
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * share)])
    return path


def wav(channels: int, rate: int, bits: int, data: bytes, claimed: int | None = None) -> bytes:
    """Lay out a RIFF/WAVE file by hand, so that its header can lie."""
    size = len(data) if claimed is None else claimed
    align = channels * bits // 8
    form = struct.pack("<HHIIHH", 1, channels, rate, rate * align, align, bits)
    body = b"WAVEfmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", size) + data
    return b"RIFF" + struct.pack("<I", min(len(body), 2**32 - 1)) + body


def bad_file(case: str, folder: Path) -> Path:
    """Make one unusable file."""
    path = folder / "bad.wav"
    whole = noise()
    flat = np.zeros((1, 9600))
    makers = {
        "missing": lambda: path,
        "folder": lambda: path.mkdir(),
        "pipe": lambda: os.mkfifo(path),
        "zero bytes": lambda: path.write_bytes(b""),
        "text": lambda: path.write_text("not audio " * 100),
        "only RIFF": lambda: path.write_bytes(b"RIFF\0\0\0\0WAVE"),
        "no frames": lambda: stored(path, np.zeros((2, 0))),
        "one frame": lambda: stored(path, np.full((2, 1), 0.5)),
        "silent": lambda: stored(path, flat),
        "denormal": lambda: stored(path, flat + 1e-40, subtype="FLOAT"),
        "constant": lambda: stored(path, flat + 0.25),
        "NaN": lambda: stored(path, with_value(whole, np.nan), subtype="FLOAT"),
        "infinite": lambda: stored(path, with_value(whole, -np.inf), subtype="DOUBLE"),
        "six channels": lambda: stored(path, noise(channels=6)),
        "4 kHz": lambda: stored(path, whole, 4000),
        "384 kHz": lambda: stored(path, whole, 384000),
        "cut WAV": lambda: cut(stored(path, whole), 0.5),
        "cut RF64": lambda: cut(stored(path, whole, format="RF64"), 0.5),
        "cut AIFF": lambda: cut(stored(path, whole, format="AIFF"), 0.5),
        "cut FLAC": lambda: cut(stored(path, whole, format="FLAC"), 0.5),
        "cut header": lambda: path.write_bytes(wav(2, RATE, 16, bytes(4000))[:40]),
        "huge size": lambda: path.write_bytes(wav(2, RATE, 16, bytes(4000), claimed=2**32 - 1)),
        "no channels": lambda: path.write_bytes(wav(0, RATE, 16, bytes(4000))),
        "rate 0": lambda: path.write_bytes(wav(2, 0, 16, bytes(4000))),
        "lossy": lambda: stored(path, whole, format="OGG", subtype="VORBIS"),
        "companded": lambda: stored(path, whole, subtype="ULAW"),
        "too long": lambda: path.write_bytes(wav(1, 8000, 8, bytes(int(8000 * MAX_SECONDS) + 8))),
    }
    makers[case]()
    return path


def with_value(samples: np.ndarray, value: float) -> np.ndarray:
    samples[1, 4800] = value
    return samples


REFUSED = {
    "missing": "no such file",
    "folder": "is not a file",
    "pipe": "is not a file",
    "zero bytes": "is empty",
    "text": "cannot be read as audio",
    "only RIFF": "cannot be read as audio",
    "no frames": "holds 0 frames",
    "one frame": "holds 1 frames",
    "silent": "is silent",
    "denormal": "is silent",
    "constant": "constant offset",
    "NaN": r"NaN or infinite \(channel 2, at 0.100 s\)",
    "infinite": "NaN or infinite",
    "six channels": "has 6 channels, allowed: 1 or 2",
    "4 kHz": "sample rate 4000 Hz, allowed: 8000 to 192000",
    "384 kHz": "sample rate 384000 Hz",
    "cut WAV": "is cut off",
    "cut RF64": "is cut off",
    "cut AIFF": "is cut off",
    "cut FLAC": "damaged or cut off",
    "cut header": "cannot be read as audio|is cut off",
    "huge size": "is cut off",
    "no channels": "cannot be read as audio",
    "rate 0": "cannot be read as audio|sample rate 0",
    "lossy": "allowed: WAV, FLAC or AIFF",
    "companded": "ULAW",
    "too long": "allowed: up to 3600 s",
}


@pytest.mark.parametrize("case", REFUSED)
def test_bad_audio_is_one_clear_line(tmp_path: Path, case: str) -> None:
    """Each unusable file is named, with what is wrong with it, in one line."""
    path = bad_file(case, tmp_path)
    with pytest.raises(AudioError, match=REFUSED[case]) as caught:
        read_stem(path, RATE)
    message = str(caught.value)
    assert message.startswith(str(path))
    assert "\n" not in message


def test_wrong_extension_is_read_by_its_content(tmp_path: Path) -> None:
    """A FLAC named .wav is still a FLAC; what counts is what it holds."""
    samples = noise()
    stem = read_stem(stored(tmp_path / "a.wav", samples, format="FLAC"), RATE)
    assert np.abs(stem.samples - samples).max() < 2**-14


def test_clipped_stems_are_read(tmp_path: Path) -> None:
    """Full-scale samples are the composer's business; floats beyond full scale are kept."""
    stem = read_stem(stored(tmp_path / "a.wav", 20 * noise(), subtype="FLOAT"), RATE)
    assert np.abs(stem.samples).max() > 2.0


def test_header_facts_come_without_reading_the_sound(tmp_path: Path) -> None:
    """Frames, rate, channels, seconds and storage."""
    facts = info(stored(tmp_path / "a.aiff", noise(4410, 1), 44100, subtype="PCM_24"))
    assert (facts.frames, facts.sample_rate, facts.channels) == (4410, 44100, 1)
    assert (facts.seconds, facts.subtype) == (0.1, "PCM_24")


@given(data=st.data())
@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_no_damage_gets_past_the_reader(tmp_path: Path, data: st.DataObject) -> None:
    """Whatever bytes of a file change, it is read as finite sound or refused; never a crash."""
    kind = data.draw(st.sampled_from(["WAV", "AIFF", "FLAC", "RF64"]))
    path = stored(tmp_path / "a.bin", noise(2000), format=kind)
    whole = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        place = data.draw(st.integers(0, min(len(whole) - 1, 120)))
        whole[place] = data.draw(st.integers(0, 255))
    length = data.draw(st.sampled_from([len(whole), len(whole) // 2, 60]))
    path.write_bytes(whole[:length])
    try:
        stem = read_stem(path, RATE)
    except AudioError as error:
        refusal = str(error)
    else:
        refusal = ""
        assert np.isfinite(stem.samples).all()
        assert missing_bytes(path) == 0
    assert "\n" not in refusal


# -- writing -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("subtype", "step"), [("PCM_16", 2**-15), ("PCM_24", 2**-23)])
def test_written_sound_reads_back(tmp_path: Path, subtype: str, step: float) -> None:
    """Within one step; full scale included, and the name has no leftovers beside it."""
    samples = noise()
    samples[0, :2] = [1.0, -1.0]
    write_wav(tmp_path / "a.wav", samples, RATE, subtype)
    read = soundfile.read(tmp_path / "a.wav")[0].T
    assert np.abs(read - samples).max() <= 1.01 * step
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.wav"]


def test_the_same_sound_is_the_same_file(tmp_path: Path) -> None:
    """A float file holds no time of writing: libsndfile notes one beside the peak."""
    sound = np.random.default_rng(0).standard_normal((2, 500)).astype(np.float32)
    write_wav(tmp_path / "a.wav", sound, 48000, "FLOAT")
    data = (tmp_path / "a.wav").read_bytes()
    place = data.index(b"PEAK")
    assert data[place + 8 : place + 16] == b"\x01\0\0\0" + bytes(4)  # version 1, no time
    np.testing.assert_array_equal(soundfile.read(tmp_path / "a.wav", dtype="float32")[0].T, sound)


def test_nothing_is_clipped_silently(tmp_path: Path) -> None:
    """Beyond full scale an integer format is refused and the old file stays; float keeps it."""
    path = tmp_path / "a.wav"
    write_wav(path, noise(), RATE)
    before = path.read_bytes()
    loud = 1.001 * noise() / np.abs(noise()).max()
    with pytest.raises(AudioError, match="would clip in PCM_24"):
        write_wav(path, loud, RATE)
    with pytest.raises(AudioError, match="NaN or infinite"):
        write_wav(path, with_value(noise(), np.nan), RATE)
    assert path.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.wav"]
    write_wav(path, loud, RATE, "FLOAT")
    assert np.abs(read_stem(path, RATE).samples - loud).max() < 1e-7


def test_blocks_written_equal_the_whole(tmp_path: Path) -> None:
    """Written piece by piece or at once: the same bytes."""
    samples = noise(100000)
    write_wav(tmp_path / "whole.wav", samples, RATE)
    with write_blocks(tmp_path / "blocks.wav", RATE, 2) as out:
        for start in range(0, 100000, 33333):
            out.write(samples[:, start : start + 33333])
        assert not (tmp_path / "blocks.wav").exists()
    assert (tmp_path / "whole.wav").read_bytes() == (tmp_path / "blocks.wav").read_bytes()


def test_an_interrupted_write_leaves_the_old_file(tmp_path: Path) -> None:
    """If making the sound fails half-way, the file under that name is as it was."""
    path = tmp_path / "a.wav"
    write_wav(path, noise(), RATE)
    before = path.read_bytes()
    with pytest.raises(KeyboardInterrupt), write_blocks(path, RATE, 2) as out:  # noqa: PT012
        out.write(noise())
        raise KeyboardInterrupt
    assert path.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.wav"]


def test_unwritable_places_are_said_clearly(tmp_path: Path) -> None:
    """No such folder; a folder in the way."""
    with pytest.raises(FolderError, match="does not exist"):
        write_wav(tmp_path / "none" / "a.wav", noise(), RATE)
    (tmp_path / "b.wav").mkdir()
    with pytest.raises(FolderError, match="cannot be written"):
        write_wav(tmp_path / "b.wav", noise(), RATE)
    with pytest.raises(FolderError, match="cannot be written"):
        write_text(tmp_path / "b.wav", "x")
    assert [entry.name for entry in tmp_path.iterdir()] == ["b.wav"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the always-full device of Linux")
def test_a_full_disk_is_said_clearly(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The bytes do not arrive: an error, and the old file stays."""
    path = tmp_path / "a.wav"
    write_wav(path, noise(), RATE)
    before = path.read_bytes()
    temporary = tmp_path / part_name("a.wav")
    temporary.symlink_to("/dev/full")
    with pytest.raises(FolderError, match=r"full|written|created"):
        write_wav(path, noise(), RATE)
    assert path.read_bytes() == before
