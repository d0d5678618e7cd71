"""A cue of three seconds in a small, short room: every kind of track, several rates and lengths.

The music is invented: notes of a few harmonics, made here.

`write_cue`: stems and cue file. `notes`: a stem's sound. `SmallRun`: a finished search.
`Told`: a screen that remembers.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from placer.pipeline import SearchEnd
from placer.result.folder import open_run
from placer.result.model import Result

RATE = 48000
SECONDS = 3.0

CUE = """
[cue]
name = "Small cue (invented)"
sample_rate = 48000
excerpt = [0.2, 2.8]

[loudness]
target_lufs = {target}
ceiling_dbtp = -1.0

[room]
width = 9.0
depth = 12.0
height = 5.0
conductor = 6.0
reverberation_time = [0.4, 0.38, 0.35, 0.33, 0.3, 0.3, 0.28]

[microphones]
tree = {{ spacing = 1.6, forward = 0.8, height = 2.8 }}
outriggers = {{ spacing = 6.0, height = 2.8 }}
hall = {{ spacing = 4.0, y = -3.0, height = 3.5 }}

[search]
reach = 1.5
trials = 1
{search}

[[track]]
name = "low"
file = "low.wav"
section = "celli"
role = "ostinato"
seat = [2.0, 2.0]
source_width = 1.0

[[track]]
name = "high"
file = "high.wav"
section = "violins_1"
role = "melody"
seat = [-2.0, 2.0]
source_width = 1.5

[[track]]
name = "horns"
positions = {{ close = "horns_close.wav", tree = "horns_tree.flac" }}
section = "horns"
role = "bed"
blend = {{ close = -6.0 }}
{horns}

[[track]]
name = "click"
file = "click.wav"
section = "percussion"
role = "percussion"
fixed = true
"""


@dataclass(frozen=True)
class Part:
    """Notes of one stem: fundamental in Hz, seconds of each onset, length of a note in s."""

    pitch: float
    onsets: tuple[float, ...]
    length: float
    level: float = 0.2


PARTS = {
    "low": Part(82.4, tuple(np.arange(0.0, 2.9, 0.25)), 0.2),
    "high": Part(659.3, (0.5, 1.1, 1.7), 0.5),
    "horns": Part(220.0, (0.1, 1.5), 1.3),
    "click": Part(1800.0, (0.0, 0.5, 1.0), 0.05),
}


def notes(part: Part, seconds: float, rate: int = RATE, *, seed: int = 0) -> np.ndarray:
    """Sound of a part, (frame,): harmonics with a soft attack, a decay and a little breath."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(seconds * rate)) / rate
    sound = np.zeros_like(time)
    for onset in part.onsets:
        since = time - onset
        on = (since >= 0.0) & (since < part.length)
        shape = np.minimum(1.0, since[on] / 0.005) * np.exp(-3.0 * since[on] / part.length)
        shape *= np.minimum(1.0, (part.length - since[on]) / 0.01)
        tone = sum(
            np.sin(2 * np.pi * part.pitch * k * since[on]) / k**1.5
            for k in range(1, 13)
            if part.pitch * k < 0.45 * rate
        )
        sound[on] += shape * (tone + 0.05 * rng.standard_normal(tone.shape))
    return part.level * sound / np.max(np.abs(sound))


def write_cue(folder: Path, *, target: float = -23.0, search: str = "", horns: str = "") -> Path:
    """Write stems and cue file into a folder: the path of the cue file.

    "low" is dry mono; "high" dry stereo at 44.1 kHz, shorter, silent before 0.5 s; "horns"
    recorded by a mono close and a stereo tree position 9 ms later; "click" heard as it is.
    """
    folder.mkdir(parents=True, exist_ok=True)
    soundfile.write(folder / "low.wav", notes(PARTS["low"], SECONDS), RATE, "FLOAT")
    high = [notes(PARTS["high"], 2.6, 44100, seed=seed) for seed in (1, 2)]
    soundfile.write(folder / "high.wav", np.stack([high[0], 0.7 * high[1]], 1), 44100, "PCM_24")
    close = notes(PARTS["horns"], SECONDS, seed=3)
    soundfile.write(folder / "horns_close.wav", close, RATE, "PCM_24")
    lag = round(0.009 * RATE)
    tree = np.stack([np.roll(close, lag), 0.6 * np.roll(close, lag + 12)])
    tree += 2e-4 * np.random.default_rng(4).standard_normal(tree.shape)
    soundfile.write(folder / "horns_tree.flac", tree.T, RATE, "PCM_24")
    click = notes(PARTS["click"], 1.5, seed=5)
    soundfile.write(folder / "click.wav", np.stack([click, 0.5 * click], 1), RATE, "PCM_24")
    path = folder / "cue.toml"
    path.write_text(CUE.format(target=target, search=search, horns=horns), encoding="utf-8")
    return path


@dataclass(frozen=True)
class SmallRun:
    """A finished search of a small cue."""

    cue: Path
    end: SearchEnd

    @property
    def folder(self) -> Path:
        """The run folder."""
        return self.end.folder

    @property
    def result(self) -> Result:
        """What its result.json says."""
        return open_run(self.folder).read_result()


def sound_of(path: Path) -> np.ndarray:
    """Samples of a file, (channel, frame)."""
    return soundfile.read(path, always_2d=True)[0].T


def level_db(sound: np.ndarray) -> float:
    """Mean square in dB."""
    return float(10.0 * np.log10(np.mean(np.square(sound)) + 1e-30))


class Told:
    """A screen that remembers."""

    def __init__(self) -> None:
        self.stages: list[tuple[str, float | None]] = []
        self.done: list[tuple[float, str]] = []
        self.lines: list[str] = []

    def stage(self, name: str, total: float | None = None) -> None:
        """Remember the stage."""
        self.stages.append((name, total))

    def advance(self, done: float, note: str = "") -> None:
        """Remember how far it is."""
        self.done.append((done, note))

    def say(self, line: str) -> None:
        """Remember the line."""
        self.lines.append(line)
