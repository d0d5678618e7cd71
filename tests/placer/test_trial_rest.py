"""A layer that rests in the analysed passage is kept and rendered, and nothing is judged by it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from placer.cue.read import read_cue
from placer.errors import CueError
from placer.pipeline import SearchOrder, search
from placer.progress import Quiet
from placer.result.folder import open_run
from placer.trial.ready import make_ready, survey_cue
from tests.placer.small_cue import PARTS, RATE, notes, sound_of, write_cue


def only_after(path: Path, start: float) -> None:
    """Replace a stem by one that begins at `start` s and lasts 0.7 s."""
    sound = np.zeros(round((start + 0.7) * RATE))
    part = notes(PARTS["low"], 0.7)
    sound[-part.size :] = part
    soundfile.write(path, sound, RATE, "PCM_24")


@pytest.mark.slow
@pytest.mark.usefixtures("quick")
def test_a_track_that_rests_is_left_where_it_is(tmp_path: Path) -> None:
    """Its place and loudness are the reference's; the others are searched as usual."""
    cue = write_cue(tmp_path, search="balance_db = 4.0")
    only_after(tmp_path / "low.wav", 2.9)  # the passage ends at 2.8 s
    end = search(SearchOrder(cue=cue, trials=1, stems=True), Quiet())
    result = open_run(end.folder).read_result()
    assert result["mixes"]
    for mix in result["mixes"]:
        before, after = result["reference"]["tracks"][0], mix["tracks"][0]
        assert (after["seat"], after["blend_db"]) == (before["seat"], before["blend_db"])
        assert after["make_up_db"] == pytest.approx(0.0, abs=0.01)
    placed = sound_of(end.folder / "placed" / "01" / "low.wav")
    assert np.abs(placed).max() > 1e-3


@pytest.mark.parametrize("stem", ["horns_close.wav", "low.wav"])
def test_a_judge_of_a_resting_track_is_finite(tmp_path: Path, stem: str) -> None:
    """Costs stay numbers, and the reference holds every limit."""
    cue = write_cue(tmp_path)
    only_after(tmp_path / stem, 2.5 if "horns" in stem else 3.0)
    if "horns" in stem:
        only_after(tmp_path / "horns_tree.flac", 2.5)
    text = cue.read_text().replace("[0.2, 2.8]", "[0.2, 2.3]")
    cue.write_text(text)
    judge = make_ready(survey_cue(read_cue(cue), Quiet()), Quiet())
    assert np.isfinite(judge.reference.cost.total)
    assert judge.reference.cost.feasible
    assert np.isfinite(judge.kernel.scene.importance).all()


def test_a_passage_without_sound_is_refused(tmp_path: Path) -> None:
    """Nothing can be judged where nothing sounds: one line says so."""
    cue = write_cue(tmp_path)
    for name in ("low.wav", "high.wav", "horns_close.wav", "horns_tree.flac", "click.wav"):
        only_after(tmp_path / name, 3.0)
    with pytest.raises(CueError, match=r"excerpt.*silent"):
        make_ready(survey_cue(read_cue(cue), Quiet()), Quiet())
