"""What the microphone positions of a track hold: a simulated room, or files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import oaconvolve

from placer.cue.read import read_cue
from placer.cue.records import Cue
from placer.placement.layout import DRY_LAYOUT, Layout
from placer.placement.passages import read_passage
from placer.placement.positions import (
    close_lag,
    response_seed,
    simulated_sound,
    sound_of,
)
from sim.decibel import energy
from sim.microphones import SOURCE_HEIGHT
from sim.parameters import direct_to_reverberant_db
from sim.responses import simulate
from sim.source import Source

RATE = 48000
SEAT = (1.5, 2.5)
SIDE = np.sqrt(0.5)
LOW, HIGH, HORNS = 0, 1, 2


@pytest.fixture(scope="module")
def cue(small_cue: Path) -> Cue:
    return read_cue(small_cue)


def noise(channels: int, seconds: float = 0.6, seed: int = 1) -> np.ndarray:
    found = np.random.default_rng(seed).standard_normal((channels, round(seconds * RATE)))
    return (0.1 * found).astype(np.float32)


def heard(cue: Cue, stem: np.ndarray, source: Source, seed: int) -> np.ndarray:
    """Early and late sound of the seven channels by direct convolution, (2, 7, frame)."""
    microphones = (cue.arrays.close_at(SEAT), *cue.arrays.shared())
    found = simulate(cue.room, source, microphones, sample_rate=RATE, seed=seed)
    parts = []
    for part in (found.early, found.late):
        each = oaconvolve(part, stem[None].astype(float), axes=-1)[:, : stem.size]
        close, left, centre, right, *rest = each
        parts.append(np.stack([close, left + SIDE * centre, SIDE * centre + right, *rest]))
    return np.stack(parts)


def test_mono_stem_is_convolved_with_the_rooms_responses(cue: Cue) -> None:
    """Every channel, early and late, is the stem convolved with its response (scipy's oaconvolve).

    1e-5 of the loudest sample: convolution in single precision.
    """
    track, stem = cue.tracks[LOW], noise(1)
    found = simulated_sound(cue, track, stem, seat=SEAT, aligned=False)
    source = Source(position=SEAT, width=track.source_width, family=track.family)
    early, late = heard(cue, stem[0], source, response_seed(cue.search.seed, track))
    assert found.late is not None
    np.testing.assert_allclose(found.early, early, atol=1e-5 * np.abs(early).max())
    np.testing.assert_allclose(found.late, late, atol=1e-5 * np.abs(late).max())
    np.testing.assert_allclose(found.whole, early + late, atol=1e-5 * np.abs(early).max())
    assert found.close_delay == 0.0


def test_stereo_stem_is_two_sources(cue: Cue) -> None:
    """Each channel of a stem sounds from its own half of the section, with its own late field."""
    track, stem = cue.tracks[HIGH], noise(2)
    found = simulated_sound(cue, track, stem, seat=SEAT, aligned=False)
    seed, half = response_seed(cue.search.seed, track), track.source_width / 2
    expected = sum(
        heard(
            cue, stem[side],
            Source(position=(SEAT[0] + (side - 0.5) * half, SEAT[1]), width=half,
                   family=track.family),
            seed + side,
        )
        for side in (0, 1)
    )  # fmt: skip
    np.testing.assert_allclose(
        np.stack([found.early, found.late]), expected, atol=1e-5 * np.abs(expected).max()
    )


def test_alignment_delays_the_close_channel_alone(cue: Cue) -> None:
    """By the way that sound has farther to the tree than to the close microphone, 343 m/s.

    Other channels stay as they are (1e-6: two lengths of transform); .2 ms: sections are wide.
    """
    track, stem = cue.tracks[LOW], noise(1)
    free, aligned = (
        simulated_sound(cue, track, stem, seat=SEAT, aligned=on) for on in (False, True)
    )
    microphones = (cue.arrays.close_at(SEAT), *cue.arrays.shared())
    there = np.array([*SEAT, SOURCE_HEIGHT])
    away = [np.linalg.norm(np.array(one.position) - there) for one in microphones]
    assert aligned.close_delay == pytest.approx((min(away[1:4]) - away[0]) / 343.0, abs=2e-4)
    frames = round(aligned.close_delay * RATE)
    assert frames > 50
    for one, other in ((free.early, aligned.early), (free.late, aligned.late)):
        assert one is not None
        assert other is not None
        np.testing.assert_allclose(other[1:], one[1:], atol=1e-6)
        np.testing.assert_allclose(other[0, frames:], one[0, :-frames], atol=1e-6)
        np.testing.assert_allclose(other[0, :frames], 0.0, atol=1e-6)


def test_direct_share_is_that_of_the_response(cue: Cue) -> None:
    """The part within 6 ms of the direct sound, as `sim.parameters` measures it.

    Two hundredths: the onset is found there, and known here.
    """
    track = cue.tracks[LOW]
    sound = simulated_sound(cue, track, noise(1), seat=SEAT, aligned=True)
    source = Source(position=SEAT, width=track.source_width, family=track.family)
    microphones = (cue.arrays.close_at(SEAT), *cue.arrays.shared())
    seed = response_seed(cue.search.seed, track)
    early = simulate(cue.room, source, microphones, sample_rate=RATE, seed=seed).early
    for channel, microphone in ((0, 0), (3, 4), (6, 7)):  # close, an outrigger, a hall microphone
        ratio = energy(float(direct_to_reverberant_db(early[microphone], RATE)))
        assert sound.direct_share[channel] == pytest.approx(ratio / (1.0 + ratio), abs=0.02)
    assert sound.direct_share[0] > sound.direct_share[6]


def test_late_field_follows_name_and_seat_and_not_the_order(cue: Cue) -> None:
    """Asked again after others, a seat sounds the same; another name or seed sounds otherwise."""
    stem = noise(1, 0.3)
    track = cue.tracks[LOW]
    first = simulated_sound(cue, track, stem, seat=SEAT, aligned=False)
    simulated_sound(cue, track, stem, seat=(0.0, 3.0), aligned=False)
    simulated_sound(cue, cue.tracks[HIGH], noise(2, 0.3), seat=SEAT, aligned=False)
    again = simulated_sound(cue, track, stem, seat=SEAT, aligned=False)
    assert first.late is not None
    np.testing.assert_array_equal(again.early, first.early)
    np.testing.assert_array_equal(again.late, first.late)
    other = simulated_sound(cue, replace(track, name="other"), stem, seat=SEAT, aligned=False)
    seeded = replace(cue, search=replace(cue.search, seed=cue.search.seed + 1))
    reseeded = simulated_sound(seeded, track, stem, seat=SEAT, aligned=False)
    for one in (other, reseeded):
        np.testing.assert_array_equal(one.early, first.early)
        assert one.late is not None
        # another draw of the same room: as loud, but not the same waveform
        likeness = np.corrcoef(one.late[6], first.late[6])[0, 1]
        assert abs(likeness) < 0.5
        level = 10 * np.log10(np.mean(one.late[6] ** 2) / np.mean(first.late[6] ** 2))
        assert abs(level) < 2.0


def test_recorded_positions_are_the_files(cue: Cue) -> None:
    """What the channels hold is what the files hold in the passage, read by another reader."""
    track = cue.tracks[HORNS]
    passage = read_passage(cue, track, (0.2, 2.8))
    found = sound_of(cue, track, passage.layout, passage.samples, seat=None, aligned=False)
    files = [soundfile.read(path, always_2d=True, dtype="float32")[0].T for path in track.files]
    expected = np.concatenate(files)[:, round(0.2 * RATE) : round(2.8 * RATE)]
    np.testing.assert_array_equal(found.early, expected)
    np.testing.assert_array_equal(found.whole, expected)
    assert found.late is None
    assert passage.layout == Layout(("close", "tree"), (1, 2))


def test_recorded_alignment_meets_the_next_position(cue: Cue) -> None:
    """The small cue's tree sounds 9 ms after its close position: so much later comes the close.

    .25 ms: its right side sounds that much later, and the sum of both is what is met.
    """
    track = cue.tracks[HORNS]
    passage = read_passage(cue, track, (0.2, 2.8))
    found = sound_of(cue, track, passage.layout, passage.samples, seat=None, aligned=True)
    assert found.close_delay == pytest.approx(0.009, abs=2.5e-4)
    frames = round(found.close_delay * RATE)
    np.testing.assert_array_equal(found.early[0, frames:], passage.samples[0, :-frames])
    np.testing.assert_array_equal(found.early[1:], passage.samples[1:])


def test_close_lag_is_the_delay_between_positions() -> None:
    """Also under noise; 0 where the first position is no close one, or there is only one."""
    rng = np.random.default_rng(8)
    close = rng.standard_normal(RATE)
    tree = np.roll(close, 480) * 0.5 + 0.2 * rng.standard_normal(RATE)
    both = np.stack([close, tree])
    assert close_lag(Layout(("close", "tree"), (1, 1)), both, RATE) == pytest.approx(0.01, abs=1e-4)
    assert close_lag(Layout(("tree", "hall"), (1, 1)), both, RATE) == 0.0
    assert close_lag(Layout(("close",), (1,)), both[:1], RATE) == 0.0


def test_a_seat_is_for_dry_tracks(cue: Cue) -> None:
    """A dry track needs one, a recorded one has none."""
    low, horns, layout = cue.tracks[LOW], cue.tracks[HORNS], Layout(("close", "tree"), (1, 2))
    with pytest.raises(ValueError, match="low: a dry track needs a seat"):
        sound_of(cue, low, DRY_LAYOUT, noise(1, 0.1), seat=None, aligned=False)
    with pytest.raises(ValueError, match="horns: a recorded track has no seat"):
        sound_of(cue, horns, layout, noise(3, 0.1), seat=SEAT, aligned=False)
