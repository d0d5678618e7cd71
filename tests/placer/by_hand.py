"""A session set by hand, by what the read-me of an export says and by nothing else."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import oaconvolve

SIDES = ("", " from-left", " from-right")


@dataclass
class Strip:
    """One dry track: its files and faders, whole and by position; None for off."""

    files: list[str] = field(default_factory=list)
    fader: float = 0.0
    positions: dict[str, str] = field(default_factory=dict)
    faders: dict[str, float | None] = field(default_factory=dict)


def unwrapped(text: str) -> list[str]:
    """Lines of the read-me as they were before they were wrapped."""
    lines: list[str] = []
    for line in text.splitlines():
        indent = len(line) - len(line.lstrip())
        whole = re.match(r"\d+\. |  \S|    \S", line) if indent in (0, 2, 4) else None
        if lines and line and lines[-1] and (whole is None) and (indent or lines[-1][0] != " "):
            lines[-1] += f" {line.strip()}"
        else:
            lines.append(line)
    return lines


class Session:
    """Does one numbered action after another.

    Attributes
    ----------
    actions : title of each action, and for each track its lines
    strips : the tracks as they are set now
    master : dB
    """

    def __init__(self, out: Path, dry: list[str]) -> None:
        self.out, self.dry = out, dry
        self.actions: list[tuple[str, dict[str, list[str]]]] = []
        self.strips = {name: Strip() for name in dry}
        self.master = 0.0
        name = ""
        for line in unwrapped((out / "README.txt").read_text(encoding="utf-8")):
            if re.match(r"\d+\. ", line):
                assert line.startswith(f"{len(self.actions) + 1}. ")
                self.actions.append((line.split(". ", 1)[1], {}))
            elif self.actions and (found := re.match(r"  (?:\d+[a-z]* )?(?! )(.+)", line)):
                name = found[1]
                self.actions[-1][1][name] = []
            elif self.actions and line.startswith("    "):
                self.actions[-1][1][name].append(line.strip())
            elif line and self.actions:
                break

    def do(self, number: int) -> None:
        """Do one action, counted from 1."""
        title, tracks = self.actions[number - 1]
        master = re.search(r"(?:Set the master to|Master from .* dB to) (\S+) dB", title)
        if master:
            self.master = float(master[1])
        for name, lines in tracks.items():
            if name in self.strips:
                self._whole(self.strips[name], lines[0])
                self._positions(self.strips[name], lines[1])

    def _whole(self, strip: Strip, line: str) -> None:
        """Load one response a channel and set the fader."""
        loaded, _, rest = line.partition(" instead of ")
        if found := re.findall(r"responses/.+?\.wav", loaded):
            strip.files = found
        if rest:
            old = re.findall(r"responses/.+?\.wav", rest)
            assert old != strip.files
        fader = re.search(r"fader (?:from (?P<old>\S+) dB to |stays at )?(?P<new>\S+) dB", line)
        if fader["old"]:
            assert float(fader["old"]) == strip.fader
        strip.fader = float(fader["new"])

    def _positions(self, strip: Strip, line: str) -> None:
        """Load one response a position and set the faders."""
        assert line.startswith("or by position")
        if first := re.match(r"or by position, from (\S+): (.*)", line):
            for name, gain in re.findall(r"(\w+) (off|\S+ dB)", first[2]):
                strip.positions[name] = first[1]
                strip.faders[name] = _gain(gain)
            return
        if new := re.search(r"load (.+?) from (\S+) instead of (\S+?);", line):
            for name in new[1].split(", "):
                assert strip.positions[name] == new[3]
                strip.positions[name] = new[2]
        way = r"(\w+) (?:stays at|from (off|\S+ dB) to) (off|\S+ dB)"
        for name, old, gain in re.findall(way, line.split("faders: ")[1]):
            assert not old or _gain(old) == strip.faders[name]
            strip.faders[name] = _gain(gain)

    def heard(self, name: str, stem: np.ndarray, frames: int, *, positions: bool) -> np.ndarray:
        """A dry stem (channel, frame) at the master, through one response or one a position."""
        strip = self.strips[name]
        if not positions:
            return self._wet(stem, strip.files, strip.fader, frames)
        sides = SIDES[:1] if len(stem) == 1 else SIDES[1:]
        return sum(
            self._wet(stem, [f"{folder}/{name} {at}{s}.wav" for s in sides], gain, frames)
            for at, folder in strip.positions.items()
            if (gain := strip.faders[at]) is not None
        )

    def _wet(self, stem: np.ndarray, files: list[str], gain_db: float, frames: int) -> np.ndarray:
        found = np.zeros((2, frames))
        for channel, file in zip(stem, files, strict=True):
            response = soundfile.read(self.out / file, always_2d=True)[0].T
            wet = oaconvolve(channel[None], response, axes=-1)[:, :frames]
            found[:, : wet.shape[1]] += 10 ** ((gain_db + self.master) / 20) * wet
        return found


def _gain(text: str) -> float | None:
    return None if text == "off" else float(text.removesuffix(" dB"))
