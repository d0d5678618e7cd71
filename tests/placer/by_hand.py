"""A session set by hand, by what the read-me of an export says and by nothing else."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import oaconvolve

Sound = np.ndarray
"""(channel, frame)."""

TITLE = re.compile(r"(Start|Microphones|Move (\d+)|End)\. (.+)")
FILE = r"responses/.+?\.wav"


@dataclass
class Strip:
    """One track: what a dry one loads, whole and by position, and the faders of any.

    A fader that is None is off; `whole_db` is behind all positions.
    """

    files: list[str] = field(default_factory=list)
    positions: dict[str, str] = field(default_factory=dict)
    faders: dict[str, float | None] = field(default_factory=dict)
    whole_db: float = 0.0
    pan: float = 0.0
    width: float = 1.0
    delay: int = 0


@dataclass
class Told:
    """One action: its title, its paragraphs, and the lines of its tracks."""

    title: str
    words: list[str] = field(default_factory=list)
    tracks: dict[str, list[str]] = field(default_factory=dict)


def unwrapped(text: str) -> list[str]:
    """Lines of the read-me as they were before they were wrapped: a wrapped line goes in by 4."""
    lines: list[str] = []
    indent = 0
    for line in text.splitlines():
        here = len(line) - len(line.lstrip())
        first = not lines or not lines[-1] or not line
        if not first and (here == indent + 4 or here == indent == 0):
            lines[-1] += f" {line.strip()}"
        else:
            lines.append(line)
            indent = here
    return lines


class Session:
    """Does one action after another.

    Parameters
    ----------
    out : Path
        The export.
    stems : mapping
        What each track plays: one sound, or of recorded tracks one a position.

    Attributes
    ----------
    actions : as they are told
    strips : the tracks as they are set now
    master : dB
    """

    def __init__(self, out: Path, stems: Mapping[str, Sound | dict[str, Sound]]) -> None:
        self.out, self.stems = out, stems
        self.actions: list[Told] = []
        self.strips = {name: Strip() for name in stems}
        self.master = 0.0
        self._far: list[str] = []
        self._other: list[str] = []
        lines = unwrapped((out / "README.txt").read_text(encoding="utf-8"))
        name = ""
        for line in lines:
            if found := TITLE.fullmatch(line):
                self.actions.append(Told(line))
                name = found[3] if found[2] and found[3] in stems else ""
            elif self.actions and line.startswith("  "):
                name = self._add(line, name)
            elif self.actions and line:
                break
        start = next((i for i, line in enumerate(lines) if line.startswith("Another way")), None)
        if start is not None:
            self._other = lines[start : lines.index("", start)]

    def _add(self, line: str, name: str) -> str:
        """Take a line of an action; the name of the track that the next one belongs to."""
        told = self.actions[-1]
        text = line.strip()
        head, _, rest = text.partition(": ")
        if not told.title.startswith("Move") and head in self.stems:
            told.tracks[head] = [rest]
            return ""
        label = re.sub(r"^\d+[a-z]* ", "", text)
        if label in self.stems or text in self.stems:
            name = text if text in self.stems else label
            told.tracks[name] = []
        elif line.startswith("    ") or re.match("Set this|Already", text):
            told.tracks.setdefault(name, []).append(text)
        else:
            told.words.append(text)
        return name

    def do(self, number: int) -> None:
        """Do one action, counted from 0."""
        told = self.actions[number]
        text = " ".join(told.words)
        if master := re.search(r"set the master to (\S+) dB", text):
            self.master = float(master[1])
        if told.title.startswith("Start"):
            self._start(text)
        for name, lines in told.tracks.items():
            strip = self.strips[name]
            if isinstance(self.stems[name], dict):
                for part in lines[0].removeprefix("Set this: ").rstrip(".").split("; "):
                    self._set(strip, part)
            else:
                self._load(strip, lines[0])
        self._by_position(told)

    def _start(self, text: str) -> None:
        """Load the file, or the two files, with the name of each dry track."""
        direct = re.search(r"as their files are, without a reverb: (.+?)\.(?= |$)", text)
        untouched = direct[1].split(", ") if direct else []
        if far := re.search(r"Do not pan (.+?):", text):
            self._far = far[1].split(" or ")
        for name, stem in self.stems.items():
            if isinstance(stem, dict) or name in untouched:
                continue
            assert "load the file from responses/reference that has the name of the track" in text
            sides = [""]
            if len(stem) == 2:
                assert "left channel goes through the file that ends in from-left" in text
                sides = [" from-left", " from-right"]
            self.strips[name].files = [f"responses/reference/{name}{side}.wav" for side in sides]

    def _load(self, strip: Strip, line: str) -> None:
        """Put other files in place of those of the reference; no fader is touched."""
        assert line.rstrip(".").endswith("leave the fader as it is"), line
        loaded, _, rest = line.partition(" in place of ")
        new = re.findall(FILE, loaded)
        assert len(new) == len(strip.files)
        assert ("the file of" if len(new) == 1 else "the two files of") in rest
        strip.files = new

    def _set(self, strip: Strip, part: str) -> None:
        """Set one thing of a recorded track; what is set from a value has that value before."""
        if found := re.fullmatch(r"gain of (.+?): (.+) to (.+)", part):
            assert strip.faders[found[1]] == _gain(found[2])
            strip.faders[found[1]] = _gain(found[3])
        elif found := re.fullmatch(r"pan:? (?:(.+) to )?(.+)", part):
            assert not found[1] or strip.pan == _pan(found[1])
            strip.pan = _pan(found[2])
        elif found := re.fullmatch(r"width:? (?:(\d+) % to )?(\d+) %", part):
            assert not found[1] or strip.width == int(found[1]) / 100
            strip.width = int(found[2]) / 100
        elif found := re.fullmatch(r"delay of .+ (\d+) samples", part):
            strip.delay = int(found[1])
        elif found := re.fullmatch(r"alignment .*: (.+) to (.+)", part):
            told = re.search(r"= (\d+) samples", found[2])
            strip.delay = int(told[1]) if told else 0
        elif found := re.fullmatch(r"make-up of the whole track: 0\.0 dB to (\S+) dB", part):
            strip.whole_db = float(found[1])
        else:
            assert ":" not in part, part
            strip.faders = _gains(part)

    def _by_position(self, told: Told) -> None:
        """Load responses and set faders of the other way, as far as an action goes."""
        for line in self._other[1:]:
            if line.startswith("For each move"):
                continue
            found = re.fullmatch(r"  (?:(\d+)([a-z]*) )?(.+?): (?:load (.+?); )?(.+)", line)
            assert found, line
            number = int(found[1] or -1)
            title = {-1: "Start", 0: "Microphones"}.get(number, f"Move {number}.")
            if not told.title.startswith(title):
                continue
            strip, (gains, whole) = self.strips[found[3]], found[5].split("; whole track ")
            strip.faders = _gains(gains)
            strip.whole_db = _gain(whole)
            new = found[4].split(", ") if found[4] else []
            place = f"moves/positions/{number:02d}{found[2]} "
            if number < 0:
                new, place = list(strip.faders), "reference/positions/"
            strip.positions |= {at: f"responses/{place}{found[3]} {at}" for at in new}

    def play(self, frames: int, *, positions: bool = False) -> Sound:
        """The whole session, (2, frame)."""
        return sum(self.heard(name, frames, positions=positions) for name in self.stems)

    def heard(self, name: str, frames: int, *, positions: bool = False) -> Sound:
        """One track at the master, a dry one through one response or through one a position."""
        strip, stem = self.strips[name], self.stems[name]
        if isinstance(stem, dict):
            return self._raised(self._recorded(strip, stem, frames), strip.whole_db)
        if not strip.files:
            return self._raised(_cut(np.broadcast_to(stem, (2, stem.shape[1])), frames), 0.0)
        if not positions:
            return self._raised(self._wet(stem, strip.files, frames), 0.0)
        sides = [""] if len(stem) == 1 else [" from-left", " from-right"]
        return sum(
            self._raised(
                self._wet(stem, [f"{file}{side}.wav" for side in sides], frames),
                gain + strip.whole_db,
            )
            for at, file in strip.positions.items()
            if (gain := strip.faders[at]) is not None
        )

    def _raised(self, sound: Sound, gain_db: float) -> Sound:
        return 10 ** ((gain_db + self.master) / 20) * sound

    def _wet(self, stem: Sound, files: list[str], frames: int) -> Sound:
        """A convolution reverb a channel, wholly wet, and their sum."""
        found = np.zeros((2, frames))
        for channel, file in zip(stem, files, strict=True):
            response = soundfile.read(self.out / file, always_2d=True)[0].T
            found += _cut(oaconvolve(channel[None], response, axes=-1), frames)
        return found

    def _recorded(self, strip: Strip, stem: dict[str, Sound], frames: int) -> Sound:
        """Positions at their faders, each as wide as told, then panned."""
        angle = np.pi / 4 * (strip.pan + 1)
        turn = np.sqrt(2) * np.array([[np.cos(angle)], [np.sin(angle)]])
        found = np.zeros((2, frames))
        for number, (name, sound) in enumerate(stem.items()):
            if (gain := strip.faders[name]) is None:
                continue
            pair = sound if len(sound) == 2 else np.sqrt(0.5) * np.vstack([sound, sound])
            middle, side = 0.5 * (pair[0] + pair[1]), 0.5 * (pair[0] - pair[1])
            pair = np.stack([middle + strip.width * side, middle - strip.width * side])
            if name not in self._far or not set(stem) - set(self._far):
                pair = turn * pair
            if number == 0:
                pair = np.pad(pair, ((0, 0), (strip.delay, 0)))
            found += 10 ** (gain / 20) * _cut(pair, frames)
        return found


def _cut(sound: Sound, frames: int) -> Sound:
    """So many frames of a sound, silence behind it."""
    short = sound[:, :frames]
    return np.pad(short, ((0, 0), (0, frames - short.shape[1])))


def _gain(text: str) -> float | None:
    return None if text == "off" else float(text.removesuffix(" dB"))


def _gains(text: str) -> dict[str, float | None]:
    return {name: _gain(gain) for name, gain in re.findall(r"([^,]+?) (off|\S+ dB)(?:, |$)", text)}


def _pan(text: str) -> float:
    if text == "centre":
        return 0.0
    side, percent = text.removesuffix(" %").split(" ")
    return (-1 if side == "L" else 1) * int(percent) / 100
