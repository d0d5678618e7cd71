"""Numbers that reach a result: finite, and the same however many threads compute them."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
import soundfile
from msgspec.structs import replace

from placer.cli import main
from placer.cue.read import read_cue
from placer.progress import Quiet
from placer.result.folder import RunFolder, finite
from placer.run.ready import make_ready, survey_cue
from placer.run.trial import trial_of
from tests.placer.small_cue import SmallRun

SAME = 1e-9
"""Relative tolerance between thread counts: the order of no sum depends on them, so only what a
compiler may reassociate is left."""


def numbers(value: Any) -> Iterator[float]:
    """Every number in a JSON value."""
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list | tuple):
        for inner in value:
            yield from numbers(inner)
    elif isinstance(value, int | float):
        yield float(value)


def test_no_number_of_a_result_is_nan(small_run: SmallRun, tmp_path: Path) -> None:
    """A written result holds finite numbers only, and a writer refuses anything else."""
    found = list(numbers(msgspec.to_builtins(small_run.result)))
    assert len(found) > 200
    assert all(map(math.isfinite, found))
    for bad in (math.nan, math.inf, -math.inf):
        with pytest.raises(ValueError, match="JSON compliant"):
            RunFolder(tmp_path).write_result(replace(small_run.result, seconds=bad))
        with pytest.raises(ValueError, match="cannot be part of a result"):
            finite(bad)
    assert list(tmp_path.iterdir()) == []


def test_one_thread_and_two_find_the_same(small_cue: Path, quick: None) -> None:
    """The same trial, bounded by evaluations: every candidate and every cost agree."""
    surveyed = survey_cue(read_cue(small_cue), Quiet())
    one, two = (
        trial_of(make_ready(surveyed, Quiet(), threads=threads), deadline=None, stop=bool)({}, 7)
        for threads in (1, 2)
    )
    assert one.cost == pytest.approx(two.cost, rel=SAME)
    rows = [one.payload["rungs"], two.payload["rungs"]]
    assert len(rows[0]) == len(rows[1]) > 0
    for first, second in zip(*rows, strict=True):
        assert first["tracks"] == second["tracks"]
        assert first["steps"] == second["steps"]
        np.testing.assert_allclose(first["cost"], second["cost"], rtol=SAME)


@dataclasses.dataclass(frozen=True)
class Odd:
    """A stem that is odd, and good."""

    rate: int = 48000
    subtype: str = "PCM_24"
    ending: str = "wav"
    kind: str = "WAV"
    gain: float = 0.1
    offset: float = 0.0
    name: str = "odd"


ODD = {
    "8 kHz": Odd(rate=8000), "11.025 kHz": Odd(rate=11025), "44.1 kHz": Odd(rate=44100),
    "192 kHz": Odd(rate=192000), "8 bits": Odd(subtype="PCM_U8"), "16 bits": Odd(subtype="PCM_16"),
    "32 bits": Odd(subtype="PCM_32"), "64-bit float": Odd(subtype="DOUBLE"),
    "clipped": Odd(gain=3.0), "above full scale": Odd(gain=30.0, subtype="FLOAT"),
    "with DC": Odd(offset=0.3), "very quiet": Odd(gain=1e-4, subtype="FLOAT"),
    "FLAC": Odd(kind="FLAC", ending="flac"), "AIFF": Odd(kind="AIFF", ending="aif"),
    "RF64": Odd(kind="RF64"), "wrong ending": Odd(kind="FLAC", ending="wav"),
    "no ending": Odd(ending=""), "other script": Odd(name="チェロ ä́ 🎻"),
    "spaces": Odd(name="a  b"),
}  # fmt: skip


@pytest.mark.parametrize("case", ODD)
def test_odd_stems_are_taken(case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Any rate, depth, container and name that holds sound passes the check, exit code 0."""
    odd = ODD[case]
    sound = odd.offset + odd.gain * np.random.default_rng(2).standard_normal(odd.rate)
    name = f"{odd.name}.{odd.ending}".rstrip(".")
    soundfile.write(tmp_path / name, sound, odd.rate, odd.subtype, format=odd.kind)
    cue = tmp_path / "cue.toml"
    cue.write_text(
        f"[[track]]\nname = 'odd'\nfile = {json.dumps(name, ensure_ascii=False)}\n",
        encoding="utf-8",
    )
    assert main(["check", str(cue)]) == 0
    assert "placer:" not in capsys.readouterr().err
