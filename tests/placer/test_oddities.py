"""Nothing odd about a stem passes silently: check names the file, what is odd and what happens.

The folder of odd things is made here: every one is a fault that exports really have, with the words
that must name it. Sound is invented.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from placer.audio.traits import Observer, Traits, twins
from placer.check import check
from placer.cli import main
from placer.progress import Quiet
from placer.run.oddities import _together
from tests.placer.small_cue import Part, notes, write_cue

RATE = 48000
SECONDS = 8.0
LEAD = 0.5
"""s of silence before the first note of every stem that is as it should be."""


def line(pitch: float, seed: int, *, seconds: float = SECONDS, rate: int = RATE) -> np.ndarray:
    """A clean stem: notes from `LEAD` s on, silent at its end."""
    rng = np.random.default_rng(seed)
    onsets = np.arange(LEAD, seconds - 0.9, 0.35)
    onsets[1:] += 0.1 * rng.random()
    return notes(Part(pitch, tuple(onsets), 0.3, 0.3), seconds, rate, seed=seed)


@dataclass(frozen=True)
class Odd:
    """One odd file: how it is written, and what check must say of it (a pattern)."""

    sound: np.ndarray
    told: str
    rate: int = RATE
    subtype: str = "PCM_24"


def clean(index: int) -> np.ndarray:
    """The stem that an odd thing is made of."""
    return line(110.0 * 1.07**index, 100 + index)


def clipped(sound: np.ndarray, level: float) -> np.ndarray:
    """Everything beyond a level cut off."""
    return np.clip(sound, -level, level)


def late(sound: np.ndarray, seconds: float) -> np.ndarray:
    """The same, later; as long as it was."""
    frames = round(seconds * RATE)
    return np.concatenate([np.zeros(frames), sound])[: sound.size]


def odd_files() -> dict[str, Odd]:
    """Twenty-five odd things, each in a stem of its own (twins in two)."""
    at44, at8 = (line(300.0, 40 + i, rate=rate) for i, rate in enumerate((44100, 8000)))
    both = np.stack([clean(3), line(240.0, 9)], 1)
    return {
        "half length": Odd(clean(0)[: RATE * 4], r"4\.0 s long, 50 % of the 8\.0 s"),
        "stray note": Odd(line(200.0, 1, seconds=2.0), r"2\.0 s long, 25 % of the"),
        "twice as long": Odd(
            line(190.0, 2, seconds=16.0), r"16\.0 s long, 200 % of the .*mix gets"
        ),
        "other rate": Odd(at44, "44100 Hz, converted to 48000 Hz", 44100),
        "telephone": Odd(at8, "8000 Hz, converted .*nothing above 4000 Hz", 8000),
        "eight bits": Odd(clean(4), "8 bits, so noise", subtype="PCM_U8"),
        "clipped": Odd(clipped(6.0 * clean(5), 1.0), r"clipped in \d+ places, first at 0\.\d+ s"),
        "clipped below": Odd(
            0.5 * clipped(6.0 * clean(6), 1.0), r"clipped in \d+ places, then turned down to -6\.0"
        ),
        "over full scale": Odd(4.0 * clean(7), r"peaks 1\.6 dB above full scale", subtype="FLOAT"),
        "offset": Odd(clean(8) + 0.02, r"constant offset \(DC\) of -34 dBFS"),
        "small offset": Odd(clean(9) + 0.003, r"constant offset \(DC\) of -50 dBFS"),
        "fader down": Odd(1e-3 * clean(10), "peaks at -70 dBFS only"),
        "right side only": Odd(np.stack([0 * clean(11), clean(11)], 1), "left channel is silent"),
        "mono as stereo": Odd(np.stack([clean(12)] * 2, 1), "left and right are the same"),
        "sides flipped": Odd(np.stack([clean(13), -clean(13)], 1), "vanishes in mono"),
        "start cut": Odd(np.roll(clean(14), -round(0.6 * RATE)), "begins in the middle of a sound"),
        "end cut": Odd(
            np.roll(clean(15), round(0.9 * RATE)), r"ends in the middle of a sound \(\d+ dB below"
        ),
        "trimmed": Odd(np.roll(line(330.0, 30), -round(0.5 * RATE)), "sounds at once, most others"),
        "late": Odd(late(clean(16), 6.0), r"late at 6\.5 s.*long silence first.*a hint only"),
        "not in passage": Odd(
            clean(17) * (np.arange(round(SECONDS * RATE)) > 6.0 * RATE), "silent in the passage"
        ),
        "twice a": Odd(clean(18), ""),
        "twice b": Odd(clean(18), r"the same sound as twice a \(twice a\.wav\): both are used"),
        "quieter twin": Odd(0.25 * clean(18), r"the same sound as twice a .* at -12\.0 dB: both"),
        "flipped a": Odd(both, ""),
        "flipped b": Odd(-both, r"same sound as flipped a .*polarity flipped: .*cancel"),
    }


POSITIONS = {
    # file: sound, and what check must say of it
    "hall close": (lambda: clean(20), ""),
    "hall tree": (
        lambda: clean(20), "the same sound as hall close .* two positions of one track"
    ),
    "hall outriggers": (lambda: late(line(260.0, 60), 0.9), r"begins 0\.9\d? s after the position"),
    "hall ambient": (
        lambda: line(270.0, 61)[: round(7.4 * RATE)], r"0\.60 s shorter than the position"
    ),
}  # fmt: skip
KINDS = 25
"""Odd things in the folder."""


@pytest.fixture(scope="module")
def warned(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """What check warns of in the folder of odd things."""
    folder = tmp_path_factory.mktemp("odd")
    text = ['[cue]\nname = "Odd things (invented)"\nexcerpt = [1.0, 5.0]\n']
    for index in range(12):  # as they should be: the rest that odd ones are held against
        soundfile.write(folder / f"fine {index}.wav", line(60.0 * 1.2**index, index), RATE)
        text.append(f'[[track]]\nname = "fine {index}"\nfile = "fine {index}.wav"\n')
    for name, odd in odd_files().items():
        soundfile.write(folder / f"{name}.wav", odd.sound, odd.rate, odd.subtype)
        text.append(f'[[track]]\nname = "{name}"\nfile = "{name}.wav"\n')
    named = []
    for name, (sound, _) in POSITIONS.items():
        soundfile.write(folder / f"{name}.wav", sound(), RATE)
        named.append(f'{name.split()[1]} = "{name}.wav"')
    text.append(f'[[track]]\nname = "hall"\npositions = {{ {", ".join(named)} }}\n')
    path = folder / "odd.toml"
    path.write_text("\n".join(text), encoding="utf-8")
    lines = check(path, Quiet())
    assert main(["check", str(path)]) == 0
    head = next(i for i, one in enumerate(lines) if re.fullmatch(r"\d+ warnings:", one))
    assert lines[head] == f"{len(lines) - head - 1} warnings:"
    return lines[head + 1 :]


def test_every_odd_thing_is_named(warned: list[str]) -> None:
    """All of them, each by its own words, with the name of its file or track."""
    wanted = {name: odd.told for name, odd in odd_files().items() if odd.told}
    wanted |= {name: told for name, (_, told) in POSITIONS.items() if told}
    assert len(wanted) >= KINDS
    missing = [
        name
        for name, told in wanted.items()
        if not any(name in one and re.search(told, one) for one in warned)
    ]
    assert not missing, "\n".join([*missing, *warned])


def test_what_is_as_it_should_be_is_not_named(warned: list[str]) -> None:
    """No false alarm about the twelve clean stems."""
    assert not [one for one in warned if "fine" in one]


def test_a_pair_is_judged_as_one_stereo_sound(tmp_path: Path) -> None:
    """Both files are named; a mono sound as a pair, a silent side, a twin and cuts are found."""
    sounds = {
        "clean": (clean(1), clean(2)),
        "same": (clean(3), clean(3)),
        "side": (clean(4), 0 * clean(4)),
        "cut": (clean(5)[: RATE * 4], clean(6)[: RATE * 4]),
        "flat": (clipped(6.0 * clean(7), 1.0), clean(8)),
        "clean again": (-clean(1), -clean(2)),
    }
    text = ["[cue]\nexcerpt = [1.0, 3.0]\n"]
    for name, sides in sounds.items():
        for side, sound in zip("LR", sides, strict=True):
            soundfile.write(tmp_path / f"{name}_{side}.wav", sound, RATE, "PCM_24")
        text.append(f'[[track]]\nname = "{name}"\nfile = ["{name}_L.wav", "{name}_R.wav"]\n')
    path = tmp_path / "pairs.toml"
    path.write_text("\n".join(text), encoding="utf-8")
    lines = check(path, Quiet())
    head = next(i for i, one in enumerate(lines) if one.endswith("warnings:"))
    warned = [one.strip() for one in lines[head + 1 :]]
    wanted = {
        "same": "the same, a mono sound in two files: .*; name one of them",
        "side": "its right channel is silent",
        "cut": r"4\.0 s long, 50 % of the 8\.0 s",
        "flat": r"clipped in \d+ places",
        "clean again": "the same sound as clean .*polarity flipped",
    }
    for name, words in wanted.items():
        label = rf"{name} \({name}_L\.wav and {name}_R\.wav\): .*"
        assert any(re.match(label + words, one) for one in warned), (name, warned)
    assert {one.split(" (")[0] for one in warned} == set(wanted)  # "clean" has none of its own


def test_a_clean_cue_has_few_warnings(tmp_path: Path) -> None:
    """The small cue: the conversion, the direct track, and what really is short."""
    lines = check(write_cue(tmp_path), Quiet())
    head = next(i for i, one in enumerate(lines) if one.endswith("warnings:"))
    kinds = [one.strip() for one in lines[head + 1 :]]
    assert any("high (high.wav): 44100 Hz, converted" in one for one in kinds)
    assert any(re.search(r"click \(click\.wav\): 1\.5 s long, 50 % of", one) for one in kinds)


def test_one_file_in_two_tracks_is_named(tmp_path: Path) -> None:
    """The slip of a copied [[track]] whose file was not changed."""
    path = write_cue(tmp_path)
    twice = '\n[[track]]\nname = "low again"\nfile = "low.wav"\nsection = "celli"\n'
    path.write_text(path.read_text(encoding="utf-8") + twice, encoding="utf-8")
    told = (
        "low again (low.wav): the same sound as low (low.wav): both are used and hide one another"
    )
    assert any(told in line for line in check(path, Quiet()))


def traits_of(sound: np.ndarray, rate: int = RATE, subtype: str = "FLOAT") -> Traits:
    """Traits of sound that arrives in uneven blocks."""
    blocks = np.atleast_2d(sound).astype(np.float32)
    observer = Observer(Path("any.wav"), rate, blocks.shape[0], subtype)
    for start in range(0, blocks.shape[1], 7001):
        observer.push(blocks[:, start : start + 7001])
    return observer.traits()


@settings(max_examples=40, deadline=None)
@given(
    frequency=st.floats(25.0, 5000.0),
    level=st.floats(0.01, 0.99),
    bits=st.sampled_from(["PCM_16", "PCM_24", "FLOAT"]),
)
def test_a_smooth_top_is_no_clip(frequency: float, level: float, bits: str) -> None:
    """A sine is never called clipped, however low and however coarsely it is stored."""
    sound = level * np.sin(2 * np.pi * frequency * np.arange(RATE) / RATE)
    if bits != "FLOAT":
        steps = 2.0 ** (15 if bits == "PCM_16" else 23)
        sound = np.round(sound * steps) / steps
    assert traits_of(sound, subtype=bits).clips < 1
    cut = np.clip(sound, -0.8 * level, 0.8 * level)
    if 100.0 < frequency < 1500.0 and level > 0.3:
        assert traits_of(cut, subtype=bits).clips >= 10


def test_figures_of_a_file() -> None:
    """Begin, end, peak, mean and length are those of the sound."""
    sound = np.zeros(3 * RATE)
    time = np.arange(RATE) / RATE
    sound[RATE : 2 * RATE] = 0.5 * np.sin(2 * np.pi * 1000.0 * time + 1.0)
    found = traits_of(sound + 0.0)
    assert (found.seconds, found.channels) == (3.0, 1)
    assert found.begins == pytest.approx(1.0, abs=0.011)
    assert found.ends == pytest.approx(2.0, abs=0.011)
    assert found.peak == pytest.approx(0.5, rel=3e-3)
    assert found.first == found.last == 0.0
    assert traits_of(sound + 0.01).mean == pytest.approx(0.01, rel=1e-3)


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    gain_db=st.floats(-40.0, 20.0),
    flipped=st.booleans(),
    rate=st.sampled_from([44100, 48000, 96000]),
)
def test_a_copy_is_known_again(seed: int, gain_db: float, flipped: bool, rate: int) -> None:
    """At any gain, polarity and rate; another sound of the same kind is not taken for it."""
    gain = 10.0 ** (gain_db / 20.0) * (-1.0 if flipped else 1.0)
    rng = np.random.default_rng(seed)
    pitch, when, other_when = rng.uniform(60.0, 600.0), rng.random(9) * 2.5, rng.random(9) * 2.5

    def tone(times: np.ndarray, at: int) -> np.ndarray:
        time = np.arange(3 * at) / at
        return sum(
            (time >= onset) * np.exp(-6.0 * (time - onset).clip(0.0))
            * np.sin(2 * np.pi * pitch * (time - onset)) for onset in times
        )  # fmt: skip

    first = traits_of(tone(when, RATE)).signature
    copy = traits_of(gain * tone(when, rate), rate).signature
    other = traits_of(tone(other_when, RATE)).signature
    found = list(twins([first, copy, other], 0.999))
    assert [pair[:2] for pair in found] == [(0, 1)]
    assert np.sign(found[0][2]) == np.sign(gain)
    assert found[0][3] == pytest.approx(gain, rel=0.02)


def test_what_is_odd_about_many_files_alike_is_one_line() -> None:
    """Up to six have a line each; of more, three are named and all counted."""
    lines = [(f"t{n} (t{n}.wav)", f"ends ({n} dB below)") for n in range(7)]
    lines.append(("x (x.wav)", "8 bits"))
    assert list(_together(lines)) == [
        "7 files, t0 (t0.wav), t1 (t1.wav), t2 (t2.wav) and 4 more: ends (0 dB below)",
        "x (x.wav): 8 bits",
    ]
    assert list(_together(lines[1:])) == [f"{label}: {said}" for label, said in lines[1:]]
