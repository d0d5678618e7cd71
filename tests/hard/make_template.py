"""A large template made of a small cue: many tracks, minutes long, dry and recorded mixed.

    python -m tests.hard.make_template DEMO FOLDER [TRACKS] [SECONDS]

DEMO holds the shipped demo as `demo/make.py` writes it. Each track is one of its stems, repeated
to the wanted length from another place on, at another pitch and level, so that no two are alike;
all positions of one recorded track are changed alike. The music is invented and nothing is gained
by listening to it: this is about size. 120 tracks of three minutes take 9 GB.

*Conventions*: even tracks are dry, odd ones recorded; 24-bit WAV at 48 kHz, audio (frame, channel).

`make_template`: stems and a cue file.
"""

from __future__ import annotations

import argparse
import tomllib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import resample_poly

RATE = 48000
PITCHES = ((1, 1), (9, 8), (8, 9), (5, 4), (4, 5), (6, 5), (5, 6), (16, 15), (15, 16), (4, 3))
"""Ratios of length: a stem resampled by them sounds at another pitch."""

HEAD = (
    "# Invented: made of the demo's stems by tests/hard/make_template.py",
    '[cue]\nname = "Template (invented)"\nsample_rate = 48000',
    "[loudness]\ntarget_lufs = -18.0\nceiling_dbtp = -1.0",
    '[room]\nfile = "rooms/scoring_stage.toml"',
    '[microphones]\nfile = "microphones/wide_tree.toml"',
)


def changed(path: Path, *, frames: int, number: int) -> NDArray[np.float32]:
    """Repeat a stem from a place of its own on, at a pitch and level of its own."""
    sound = soundfile.read(path, always_2d=True, dtype="float32")[0]
    up, down = PITCHES[number % len(PITCHES)]
    sound = resample_poly(sound, up, down, axis=0) if up != down else sound
    sound = np.roll(sound, -(number * 977 * RATE // 1000) % len(sound), axis=0)
    repeats = -(-frames // len(sound))
    gain = np.float32(10.0 ** (((number * 7) % 13 - 9) / 20.0))
    return np.asarray(gain * np.tile(sound, (repeats, 1))[:frames], dtype=np.float32)


def described(model: dict[str, Any], number: int) -> tuple[dict[str, Any], dict[Path, str]]:
    """Return one track of the cue file, and the new file of each stem that it is made of."""
    track = {**model, "name": f"{model['name']}_{number:03d}"}
    if "group" in track:
        track["group"] += f"_{number // 24}"
    sources = model.get("positions", {"stem": model.get("file")})
    files = {position: f"{number:03d}_{position}.wav" for position in sources}
    if "positions" in model:
        track["positions"] = files
    else:
        track["file"] = files["stem"]
    return track, {Path(sources[position]): name for position, name in files.items()}


def make_template(demo: Path, folder: Path, *, tracks: int = 120, seconds: float = 180.0) -> Path:
    """Write stems and a cue file.

    Parameters
    ----------
    demo : Path
        Folder with `dry.toml`, `recorded.toml` and their stems.
    folder : Path
        To write into; made where it is missing.
    tracks : int
    seconds : float
        Length of every stem.

    Returns
    -------
    Path
        The cue file.
    """
    models: list[list[dict[str, Any]]] = [
        tomllib.loads((demo / f"{name}.toml").read_text("utf-8"))["track"]
        for name in ("dry", "recorded")
    ]
    folder.mkdir(parents=True, exist_ok=True)
    parts, jobs = list(HEAD), []
    for number in range(tracks):
        listed = models[number % 2]
        track, files = described(listed[(number // 2) % len(listed)], number)
        parts.append("[[track]]\n" + "\n".join(f"{key} = {plain(v)}" for key, v in track.items()))
        jobs += [(demo / source, folder / name, number) for source, name in files.items()]

    def write(job: tuple[Path, Path, int]) -> None:
        source, path, number = job
        sound = changed(source, frames=round(seconds * RATE), number=number)
        soundfile.write(path, sound, RATE, "PCM_24")

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(write, jobs))
    cue = folder / "template.toml"
    cue.write_text("\n\n".join(parts) + "\n", encoding="utf-8")
    return cue


def plain(value: Any) -> str:
    """Write a value as TOML."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {plain(v)}" for key, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(plain, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Write a large template made of the demo.")
    parser.add_argument("demo", type=Path, help="what demo/make.py wrote")
    parser.add_argument("folder", type=Path, help="where to write")
    parser.add_argument("tracks", type=int, nargs="?", default=120)
    parser.add_argument("seconds", type=float, nargs="?", default=180.0)
    given = parser.parse_args()
    print(  # noqa: T201
        make_template(given.demo, given.folder, tracks=given.tracks, seconds=given.seconds)
    )
