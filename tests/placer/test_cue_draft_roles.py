"""The line of a stem is the notes that were written; roles follow from it.

Sources
-------
Equal temperament at A4 = 440 Hz (ISO 16). Flatness of white noise: the mean of the logarithm of an
exponential variable is minus Euler's constant, so 10 lg e^-0.5772 = -2.51 dB (closed form).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from placer.cue.draft import draft
from placer.cue.draft_pitch import RATE, line_of
from placer.cue.draft_roles import note_name, role_by_ear, slower_tunes
from placer.cue.draft_sound import Sound, listen, same_performance

FILE_RATE = 44100


def voice(pitches: list[int], length: float, *, rate: int = RATE, decay: float = 0.0) -> np.ndarray:
    """Notes of eight harmonics laid end to end, MIDI pitches, 0 is a rest, (frame,)."""
    time = np.arange(round(length * rate)) / rate
    shape = np.minimum(1.0, np.minimum(time, length - time) / 0.02) * np.exp(-decay * time)
    notes = []
    for pitch in pitches:
        hertz = 440.0 * 2.0 ** ((pitch - 69) / 12)
        numbers = [k for k in range(1, 9) if k * hertz < 0.45 * rate]
        tone = sum(np.sin(2 * np.pi * k * hertz * time + k) / k for k in numbers)
        notes.append(shape * tone * (pitch > 0))
    return 0.1 * np.concatenate(notes)


def heard(folder: Path, sound: np.ndarray) -> Sound:
    soundfile.write(folder / "a.wav", sound, FILE_RATE)
    return listen(folder / "a.wav")


@pytest.mark.parametrize("low", [31, 45, 57, 69, 81])
def test_the_line_is_the_notes(low: int) -> None:
    """Half-second notes of a scale: their pitch, span, number and rate, in every register."""
    scale = [low + step for step in (0, 2, 4, 5, 7, 5, 4, 2)] * 3
    line = line_of(voice(scale, 0.5))
    assert line.pitch == pytest.approx(low + 4, abs=1)
    assert line.kinds == 5
    assert line.span == 7
    assert line.moves == pytest.approx(23 / 12, rel=0.1)
    assert line.steps == 1.0
    assert line.note == pytest.approx(0.5, rel=0.15)
    assert line.explained > 0.9
    assert line.steady > 0.9


def test_a_long_sound_is_told_by_its_loudest_minute(tmp_path: Path) -> None:
    """A quiet minute of high notes on either side changes nothing of how a stem moves.

    Blocks do not begin with the loud minute: the seconds beside it may move a rate a little.
    """
    rate = FILE_RATE
    loud = voice([45, 47, 48, 50] * 33, 0.5, rate=rate)
    quiet = 0.003 * voice([81, 86, 88, 93] * 30, 0.5, rate=rate)
    alone = heard(tmp_path, loud)
    among = heard(tmp_path, np.concatenate([quiet, loud, quiet]))
    for name in ("span", "kinds", "note"):
        assert getattr(among.line, name) == getattr(alone.line, name)
    for name in ("pitch", "moves", "steps", "explained", "steady"):
        assert getattr(among.line, name) == pytest.approx(getattr(alone.line, name), rel=0.03)
    for name in ("onsets", "held", "low", "middle", "high", "repeat", "silence"):
        assert getattr(among, name) == pytest.approx(getattr(alone, name), rel=0.03, abs=0.01)
    assert among.empty == pytest.approx(120 / 186, abs=0.01)
    assert 60.0 <= among.loudest <= 116.0
    assert among.seconds == pytest.approx(186.0)


def test_how_a_long_sound_dies_away_is_heard_anywhere_in_it(tmp_path: Path) -> None:
    """A rest outside the loudest minute shows that a stem is dry."""
    rate = FILE_RATE
    held = voice([57], 65.0, rate=rate)
    stops = 0.8 * voice([57, 0, 57, 0], 2.0, rate=rate)
    assert heard(tmp_path, held[: 60 * rate]).fade > 2.0
    assert heard(tmp_path, np.concatenate([held, stops])).fade < 0.4


def test_a_chord_and_noise_are_no_voice() -> None:
    """One pitch explains half of a chord; in noise, which is flat, none lasts."""
    chord = sum(voice([pitch] * 4, 1.0) for pitch in (55, 59, 62, 66))
    assert line_of(chord).explained < 0.6
    noise = line_of(0.1 * np.random.default_rng(1).standard_normal(8 * RATE))
    assert noise.steady < 0.1
    assert noise.flatness_db == pytest.approx(-2.51, abs=0.4)


def test_roles_of_plain_parts(tmp_path: Path) -> None:
    """Each part is what a listener would call it."""
    rate, rng = FILE_RATE, np.random.default_rng(2)
    tune = [67, 69, 71, 72, 74, 71, 67, 0, 69, 72, 76, 74, 72, 71, 69, 0]
    lengths = (0.4, 0.8, 0.4, 0.6, 1.0, 0.5, 0.9, 0.4)
    parts = {
        "melody": np.concatenate(
            [voice([p], lengths[i % 8], rate=rate) for i, p in enumerate(tune * 2)]
        ),
        "ostinato": voice([48, 48, 55, 51] * 20, 0.2, rate=rate, decay=8.0),
        "bass": voice([33, 33, 38, 40, 33, 36, 38, 40] * 2, 1.2, rate=rate),
        "bed": sum(voice([p, p + 1, p] * 2, 2.4, rate=rate) for p in (55, 60)),
        "percussion": np.tile(
            np.exp(-np.arange(rate // 2) / 1500.0) * rng.standard_normal(rate // 2), 20
        ),
    }
    parts["percussion"] *= 0.1
    for role, sound in parts.items():
        assert role_by_ear(heard(tmp_path, sound))[0] == role
    thud = np.exp(-np.arange(rate) / 6000.0) * np.sin(
        2 * np.pi * np.cumsum(45.0 + 40.0 * np.exp(-np.arange(rate) / 1500.0)) / rate
    )
    assert role_by_ear(heard(tmp_path, 0.3 * np.tile(thud, 10)))[0] == "percussion"


def test_slower_tunes_answer() -> None:
    """A tune that moves half as much as the others is a counter melody; equal ones are not."""
    assert slower_tunes([1.0, 1.2, 0.5, 0.9]) == [False, False, True, False]
    assert slower_tunes([0.4, 0.4]) == [False, False]
    assert slower_tunes([]) == []


def test_note_names() -> None:
    """Scientific pitch notation."""
    assert [note_name(pitch) for pitch in (21, 60, 69.4)] == ["A0", "C4", "A4"]


def test_the_draft_asks_for_the_tune(tmp_path: Path) -> None:
    """Where no tune is recognised it says so; where one is named it does not."""
    bed = sum(voice([p, p + 1, p] * 2, 2.4, rate=FILE_RATE) for p in (55, 60))
    for folder, name in (("without", "Celli"), ("with", "Celli Melody")):
        (tmp_path / folder).mkdir()
        soundfile.write(tmp_path / folder / f"{name}.wav", bed, FILE_RATE)
    asked = "No tune was recognised: which tracks carry it?"
    assert asked in draft(tmp_path / "without").read_text(encoding="utf-8")
    assert asked not in draft(tmp_path / "with").read_text(encoding="utf-8")


def test_equal_samples_at_one_instant_are_no_second_microphone(tmp_path: Path) -> None:
    """Two parts that share sampled notes differ; left and right of one sound do not."""
    rng = np.random.default_rng(3)
    notes = {key: rng.standard_normal(FILE_RATE // 2) for key in "abcdef"}
    silence = np.zeros(FILE_RATE // 2)
    parts = {
        "one": "aabbccddee-a-b-c-d-e",
        "other": "a-bf-cfd-ef-aaffcc-e",
    }
    for name, keys in parts.items():
        sound = np.concatenate([notes.get(key, silence) for key in keys])
        soundfile.write(tmp_path / f"{name}.wav", 0.1 * sound, FILE_RATE)
        soundfile.write(tmp_path / f"{name} again.wav", 0.05 * sound, FILE_RATE)
    one, other = tmp_path / "one.wav", tmp_path / "other.wav"
    assert not same_performance(one, other, 0.0)
    assert same_performance(one, tmp_path / "one again.wav", 0.0)
    assert same_performance(other, tmp_path / "other again.wav", 0.0)
