"""Every stem is read once from end to end: how long, which rates, where there is something."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from placer.audio.survey import survey
from placer.cue.read import read_cue
from placer.errors import AudioError, CueError
from placer.progress import Quiet
from placer.run.ready import choose_span, survey_cue
from tests.placer.small_cue import RATE, write_cue


def tone(path: Path, seconds: float, rate: int = RATE, *, start: float = 0.0) -> Path:
    """Write a tone that begins at `start` s."""
    time = np.arange(round(seconds * rate)) / rate
    sound = 0.2 * np.sin(2 * np.pi * 500.0 * time) * (time >= start)
    soundfile.write(path, sound, rate, "FLOAT")
    return path


def test_positions_are_surveyed_together(tmp_path: Path) -> None:
    """Activity of all files adds up; the longest counts; converted rates are told."""
    first = tone(tmp_path / "a.wav", 2.0)
    second = tone(tmp_path / "b.wav", 3.0, 44100, start=1.0)
    both = survey([first, second], RATE)
    assert both.seconds == pytest.approx(3.0)
    assert both.resampled == ((second, 44100),)
    alone = survey([first], RATE), survey([second], RATE)
    steps = alone[0].activity.shape[1]
    np.testing.assert_allclose(
        both.activity[:, :steps], alone[0].activity + alone[1].activity[:, :steps], rtol=1e-9
    )
    # 0.25 s a step: nothing of the second before 1 s
    quiet = alone[1].activity[:, :3].sum()
    assert quiet < 1e-6 * alone[1].activity.sum()


@pytest.mark.parametrize("offset", [0.0, 0.25])
def test_a_silent_stem_is_refused(tmp_path: Path, offset: float) -> None:
    """Silence is an export that went wrong, whether at zero or with a constant offset."""
    soundfile.write(tmp_path / "rest.wav", np.full(RATE, offset), RATE, "PCM_24")
    with pytest.raises(AudioError, match=r"rest\.wav.*(silent|offset).*export it again"):
        survey([tmp_path / "rest.wav"], RATE)


def test_the_densest_passage_is_chosen(tmp_path: Path) -> None:
    """Without an excerpt in the cue file the busiest passage of the wanted length is taken."""
    path = write_cue(tmp_path)
    path.write_text(path.read_text().replace("excerpt = [0.2, 2.8]", "excerpt_length = 1.0"))
    surveyed = survey_cue(read_cue(path), Quiet())
    start, end = surveyed.span
    assert end - start == pytest.approx(1.0, abs=0.26)
    assert 0.0 <= start < end <= surveyed.seconds == pytest.approx(3.0)
    assert surveyed.notes[0].startswith("densest passage ")
    assert surveyed.notes[1] == "high.wav: 44100 Hz converted to 48000 Hz"


def test_an_excerpt_beyond_the_end_is_refused(tmp_path: Path) -> None:
    """Half a second of grace, no more."""
    path = write_cue(tmp_path)
    text = path.read_text()
    path.write_text(text.replace("[0.2, 2.8]", "[0.2, 3.4]"))
    cue = read_cue(path)
    surveys = list(survey_cue(cue, Quiet()).surveys)
    assert choose_span(cue, surveys)[0] == (0.2, pytest.approx(3.0))
    path.write_text(text.replace("[0.2, 2.8]", "[0.2, 4.0]"))
    with pytest.raises(CueError, match=r"ends after the longest stem \(3\.0 s\)"):
        survey_cue(read_cue(path), Quiet())
