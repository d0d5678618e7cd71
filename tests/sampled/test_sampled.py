"""The sampled cues are what later tests take them for: dry, aligned, in tune, dense in the lows.

Sources
-------
Equal temperament at A4 = 440 Hz (ISO 16). Standard MIDI files are read back by `mido`, and the
notes by their sound.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from placer.cue.read import read_cue
from tests.sampled.make_sampled import (
    SAMPLE_RATE,
    TAIL,
    make_sampled,
    midi_file,
    missing_tool,
    soundfont,
)
from tests.sampled.music import CUES, degrees

FloatArray = NDArray[np.floating[Any]]

pytestmark = pytest.mark.sampled


def _tracks(cue: Path) -> list[dict[str, Any]]:
    tracks: list[dict[str, Any]] = tomllib.loads(cue.read_text(encoding="utf-8"))["track"]
    return tracks


def _read(path: Path) -> FloatArray:
    audio, rate = soundfile.read(path, always_2d=True)
    assert rate == SAMPLE_RATE
    return np.asarray(audio.T)


def _level_db(audio: FloatArray) -> float:
    return float(10.0 * np.log10(np.mean(np.square(audio)) + 1e-15))


@pytest.mark.parametrize(("which", "count"), [("quarry", 12), ("tide", 24)])
def test_stems_are_whole_and_balanced(
    sampled: Callable[[str], Path], which: str, count: int
) -> None:
    """One stem a layer, all of one length, at the level of the balance, none clipping."""
    cue = sampled(which)
    music = CUES[which]()
    frames = round((music.beats * 60.0 / music.tempo + TAIL) * SAMPLE_RATE)
    tracks = _tracks(cue)
    assert [track.kind for track in read_cue(cue).tracks] == ["dry"] * count
    assert [track["name"] for track in tracks] == [layer.name for layer in music.layers]
    assert len(tracks) == count
    for track, layer in zip(tracks, music.layers, strict=True):
        audio = _read(cue.parent / track["file"])
        assert audio.shape == (2 if layer.stereo else 1, frames), layer.name
        assert _level_db(audio) == pytest.approx(layer.level_db, abs=0.1), layer.name
        assert np.abs(audio).max() < 0.98, layer.name


@pytest.mark.parametrize("name", ["trombones", "tuba", "bass_clarinet", "flutes"])
def test_stems_are_dry(sampled: Callable[[str], Path], name: str) -> None:
    """A quarter second after its last note a blown layer is silent: no reverberation, no chorus."""
    music = CUES["tide"]()
    notes = next(layer.notes for layer in music.layers if layer.name == name)
    audio = _read(sampled("tide").parent / f"{name}.wav")
    last = max(start + length for start, length, _, _ in notes) * 60.0 / music.tempo
    after = audio[:, int((last + 0.25) * SAMPLE_RATE) :]
    assert after.shape[1] > SAMPLE_RATE // 2
    assert _level_db(after) < _level_db(audio) - 60.0


def test_bed_and_ostinato_share_the_low_register(sampled: Callable[[str], Path]) -> None:
    """Both have a twentieth or more of their energy in each of 63-125 and 125-250 Hz."""
    cue = sampled("quarry")
    for name in ("ostinato", "bed"):
        audio = _read(cue.parent / f"{name}.wav").mean(axis=0)
        energy = np.square(np.abs(np.fft.rfft(audio)))
        frequencies = np.fft.rfftfreq(audio.size, 1.0 / SAMPLE_RATE)
        for low, high in ((63.0, 125.0), (125.0, 250.0)):
            inside = energy[(frequencies >= low) & (frequencies < high)].sum()
            assert inside > 0.05 * energy.sum(), (name, low)


def test_horns_sound_the_written_pitch_at_the_written_time(sampled: Callable[[str], Path]) -> None:
    """The first note, E3 = 164.81 Hz, sounds from the start; the fourth, B3, from beat 4."""
    audio = _read(sampled("quarry").parent / "horns.wav")[0]
    beat = 60.0 / CUES["quarry"]().tempo
    for start, hertz in ((0.2, 164.81), (4.2, 246.94)):
        piece = audio[int(start * beat * SAMPLE_RATE) :][: SAMPLE_RATE // 2]
        spectrum = np.abs(np.fft.rfft(piece * np.hanning(piece.size), 4 * SAMPLE_RATE))
        low, high = int(4 * hertz * 0.9), int(4 * hertz * 1.1)
        found = (low + int(np.argmax(spectrum[low:high]))) / 4.0
        assert abs(1200.0 * np.log2(found / hertz)) < 25.0


def test_recorded_positions_have_more_room_than_the_stem(sampled: Callable[[str], Path]) -> None:
    """In the gap after a drum stroke the hall position still sounds, the close one hardly."""
    cue = sampled("quarry_recorded")
    tracks = {track["name"]: track for track in _tracks(cue)}
    assert [track.kind for track in read_cue(cue).tracks] == ["recorded"] * 12
    for track in tracks.values():
        assert all((cue.parent / file).is_file() for file in track["positions"].values())
        assert set(track["blend"]) == set(track["positions"])
    files = tracks["timpani"]["positions"]
    end = int(64 * 60.0 / 132.0 * SAMPLE_RATE)
    fall = {}
    for position in ("close", "hall"):
        audio = _read(cue.parent / files[position])
        whole = np.mean(np.square(audio))
        fall[position] = 10.0 * np.log10(
            np.mean(np.square(audio[:, end + SAMPLE_RATE // 4 : end + SAMPLE_RATE])) / whole
        )
    assert fall["hall"] > fall["close"] + 3.0


def test_midi_files_hold_the_notes() -> None:
    """Every note begins and ends, at its time, on its channel, panned to the centre."""
    music = CUES["tide"]()
    for layer in music.layers:
        file = midi_file(layer, music)
        assert file.length == pytest.approx(
            max(start + length for start, length, _, _ in layer.notes) * 60.0 / music.tempo,
            abs=0.01,
        )
        messages = [message for message in file if not message.is_meta]
        notes = [message for message in messages if message.type == "note_on"]
        assert sum(message.velocity > 0 for message in notes) == len(layer.notes)
        assert sum(message.velocity == 0 for message in notes) == len(layer.notes)
        assert {message.channel for message in messages} == {9 if layer.drums else 0}
        pans = [m.value for m in messages if m.type == "control_change" and m.control == 10]
        assert pans == [64]


def test_degrees_count_chord_tones_upwards() -> None:
    """C minor from E2 (40): G2, C3, E flat 3, G3."""
    assert degrees((0, 3, 7), 40)[:4] == (43, 48, 51, 55)


def test_an_unknown_cue_is_refused(tmp_path: Path) -> None:
    """The message names what is allowed."""
    with pytest.raises(ValueError, match="allowed are quarry, tide, quarry_recorded"):
        make_sampled(tmp_path, "harbour")


def test_a_missing_soundfont_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A path that is not a file counts as missing, with the name of the package to install."""
    monkeypatch.setenv("PLACER_SOUNDFONT", str(tmp_path / "none.sf2"))
    assert soundfont() is None
    assert "fluid" in (missing_tool() or "")
