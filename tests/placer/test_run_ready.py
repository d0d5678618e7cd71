"""What is made ready before a search: how tracks go on outside the passage."""

from __future__ import annotations

import numpy as np
import pytest

from placer.audio.excerpt import STEP_SECONDS
from placer.audio.survey import Survey
from placer.run.ready import elsewhere_of
from sim.bands import ERB_CENTRES


def survey_of(activity: np.ndarray) -> Survey:
    """A survey of bands and steps."""
    return Survey(activity, activity.shape[1] * STEP_SECONDS, (), (), ())


def test_energy_outside_the_passage_counts_by_band() -> None:
    """Twice as long at one level: 2; lows that play on alone count in the lows.

    By hand: 1 kHz sounds in 4 of 8 steps, all in the passage; 60 Hz in all 8, half of them there.
    """
    activity = np.zeros((len(ERB_CENTRES), 8))
    low, high = (int(np.abs(ERB_CENTRES - hertz).argmin()) for hertz in (60.0, 1000.0))
    activity[high, :4] = 1.0
    activity[low] = 1.0
    level, lows = elsewhere_of(survey_of(activity), (0.0, 1.0))
    assert lows == pytest.approx(2.0)
    assert 1.0 < level < 1.3  # the K-weighting counts 60 Hz less


def test_a_track_that_rests_in_the_passage_says_nothing() -> None:
    """No division by silence, and no leverage by a trace of sound."""
    activity = np.zeros((len(ERB_CENTRES), 8))
    activity[10, 4:] = 1.0
    np.testing.assert_array_equal(elsewhere_of(survey_of(activity), (0.0, 1.0)), 1.0)
    activity[10, 0] = 1e-4
    np.testing.assert_array_equal(elsewhere_of(survey_of(activity), (0.0, 1.0)), 1.0)
