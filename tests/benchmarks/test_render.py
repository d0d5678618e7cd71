"""How fast and how small the renderer is: ratios within one run.

Sixty invented stems (noise, every fourth in stereo) through invented responses of 2.2 s. A naive
render convolves every stem with `scipy.signal.oaconvolve` and adds, and measures no loudness at
all. Set `PLACER_QUIET=1` on a machine with two idle cores to hold the absolute target too.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile
from pytest_benchmark.fixture import BenchmarkFixture
from scipy.signal import oaconvolve

from placer.result.place import TrackRender
from placer.result.render import MixRender, render_mixes

RATE, TRACKS, TAPS = 48000, 60, 105_600
CUE: Any = SimpleNamespace(
    sample_rate=RATE, loudness=SimpleNamespace(target_lufs=-23.0, ceiling_dbtp=-1.0)
)


def stems(folder: Path, seconds: int) -> list[Path]:
    """Four files that stand for all."""
    rng = np.random.default_rng(0)
    paths = [folder / f"{number}-{seconds}.wav" for number in range(4)]
    for number, path in enumerate(paths):
        sound = 0.02 * rng.standard_normal((seconds * RATE, 2 if number == 3 else 1))
        soundfile.write(path, sound, RATE, "PCM_24")
    return paths


@cache
def decaying_noise() -> np.ndarray:
    """Made once: how long random numbers take is not the renderer's affair."""
    noise = np.random.default_rng(0).standard_normal((2, 2, TAPS))
    return (0.05 * 10.0 ** (-3.0 * np.arange(TAPS) / TAPS) * noise).astype(np.float32)


def response(number: int, mix: int) -> np.ndarray:
    """Decaying noise, (1 or 2, 2, tap) float32, weighted for each track and mix on its own."""
    channels = 2 if number % 4 == 3 else 1
    gains = np.random.default_rng([number, mix]).uniform(0.3, 1.0, (channels, 2, 1))
    return gains.astype(np.float32) * decaying_noise()[:channels]


def orders(folder: Path, paths: list[Path], *, tracks: int, mixes: int) -> list[MixRender]:
    """Mixes of the stems, the first as loud as the stems, the others as the first."""

    def one(number: int, mix: int) -> TrackRender:
        track: Any = SimpleNamespace(files=[paths[number % 4]], kind="dry", name=f"track {number}")
        made = response(number, mix)
        return TrackRender(track, lambda: made, "first" if mix else "stem")

    return [
        MixRender(folder / f"mix-{mix}.wav", [one(number, mix) for number in range(tracks)])
        for mix in range(mixes)
    ]


def processor_seconds(run: Any) -> float:
    """Processor time of all threads: other programs on the machine change it little."""
    begun = time.process_time()
    run()
    return time.process_time() - begun


def naive(paths: list[Path], tracks: int, mix: int) -> np.ndarray:
    """One mix as a short script would make it."""
    total = np.zeros((2, 0))
    for number in range(tracks):
        sound = soundfile.read(paths[number % 4], always_2d=True)[0].T
        total = np.zeros((2, sound.shape[1])) if total.size == 0 else total
        for channel, pair in zip(sound, response(number, mix).astype(float), strict=True):
            total += oaconvolve(channel[None], pair, axes=-1)[:, : total.shape[1]]
    return total


@pytest.mark.benchmark(group="render")
def test_renders_faster_than_a_naive_script(tmp_path: Path, benchmark: BenchmarkFixture) -> None:
    """Six mixes, with loudness, make-up, true peak and files, against six bare convolutions."""
    seconds, tracks, mixes = 20, 24, 6
    paths = stems(tmp_path, seconds)
    wanted = orders(tmp_path, paths, tracks=tracks, mixes=mixes)
    render_mixes(CUE, wanted[:1], frames=RATE)  # compiled, and files in memory

    def run() -> None:
        render_mixes(CUE, wanted, frames=seconds * RATE)

    ours = min(processor_seconds(run) for _ in range(2))
    theirs = processor_seconds(lambda: naive(paths, tracks, 0)) * mixes
    benchmark.extra_info["naive_ratio"] = theirs / ours
    benchmark.extra_info["real_time_two_cores"] = 2 * seconds * mixes * tracks / TRACKS / ours
    benchmark.pedantic(run, rounds=1)
    assert theirs / ours > 2.0


@pytest.mark.benchmark(group="render")
def test_sixty_tracks_in_real_time(tmp_path: Path, benchmark: BenchmarkFixture) -> None:
    """The target: sixty tracks at twelve times real time or more, a mix, on two idle cores."""
    seconds, mixes = 20, 6
    paths = stems(tmp_path, seconds)
    wanted = orders(tmp_path, paths, tracks=TRACKS, mixes=mixes)
    render_mixes(CUE, wanted[:1], frames=RATE)
    begun = time.process_time()
    benchmark.pedantic(lambda: render_mixes(CUE, wanted, frames=seconds * RATE), rounds=1)
    used = time.process_time() - begun
    # by processor time, as if two cores had done nothing else
    benchmark.extra_info["real_time_two_cores"] = 2 * seconds * mixes / used
    benchmark.extra_info["real_time_wall"] = seconds * mixes / benchmark.stats.stats.max
    if os.environ.get("PLACER_QUIET"):
        assert benchmark.extra_info["real_time_wall"] > 12.0


PEAK = """
import sys
from pathlib import Path
from tests.benchmarks.test_render import CUE, RATE, orders
from placer.result.render import render_mixes
folder, seconds = Path(sys.argv[1]), int(sys.argv[2])
paths = [folder / f"{number}-{seconds}.wav" for number in range(4)]
render_mixes(CUE, orders(folder, paths, tracks=8, mixes=6), frames=seconds * RATE)
print(Path("/proc/self/status").read_text())
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="tells memory on Linux only")
@pytest.mark.benchmark(group="render")
def test_memory_does_not_grow_with_length(tmp_path: Path, benchmark: BenchmarkFixture) -> None:
    """Six mixes of 40 s and of 160 s: below 600 MB, and no more for the longer ones.

    Shorter mixes do not fill the blocks that the renderer reads and writes.
    """

    def peak(seconds: int) -> float:
        stems(tmp_path, seconds)
        command = [sys.executable, "-c", PEAK, str(tmp_path), str(seconds)]
        told = subprocess.run(command, capture_output=True, text=True, check=True).stdout
        # high water of this program alone: getrusage would remember who started it
        return int(told.partition("VmHWM:")[2].split()[0]) / 1024

    short, long = peak(40), benchmark.pedantic(lambda: peak(160), rounds=1)
    benchmark.extra_info["peak_mb"] = [short, long]
    assert long < 600.0
    # the samples of two minutes of six stereo mixes are 276 MB; what an allocator leaves free
    # between blocks varies by 50 MB
    assert long - short < 276.0 / 3.0
