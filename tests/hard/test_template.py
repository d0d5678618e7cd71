"""The large template is a cue like any other: readable, dry and recorded, no two tracks alike."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

from demo.make import make
from placer.cue.read import read_cue
from tests.hard.make_template import RATE, make_template


def test_a_small_template_is_a_readable_cue(tmp_path: Path) -> None:
    """Six tracks of five seconds: half dry, half recorded, whole stems, each its own sound."""
    make(tmp_path / "demo", seconds=2.0)
    cue = read_cue(make_template(tmp_path / "demo", tmp_path / "large", tracks=6, seconds=5.0))
    assert [track.kind for track in cue.tracks] == ["dry", "recorded"] * 3
    assert len({track.name for track in cue.tracks}) == 6
    heard = []
    for track in cue.tracks:
        for path in track.files:
            assert path.parent == tmp_path / "large"
            sound, rate = soundfile.read(path, always_2d=True)
            assert (rate, len(sound)) == (RATE, 5 * RATE)
            assert np.abs(sound).max() > 1e-3
        heard.append(sound.mean(axis=1))
    likeness = np.abs(np.corrcoef(heard)[np.triu_indices(6, 1)])
    assert likeness.max() < 0.9
