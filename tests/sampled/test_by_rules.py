"""The mix by rules of the trade keeps to its rules, so that it is a baseline worth beating."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import butter, sosfilt

from placer.cue.records import LOCKS, Placement, Track, TrackLimits
from tests.outside import attack_energies, beginning, judged, sounding, stands_out_db
from tests.sampled.by_rules import SIDE, by_rules, rivals, shared_register, three_moves


def track(name: str, role: str, x: float, **other: object) -> Track:
    """A dry track of close, tree and hall."""
    return Track(
        name=name, kind="dry", files=(), positions=("close", "tree", "hall"), section="celli",
        role=role, start=Placement((x, 3.0), (-12.0, 0.0, -6.0)),
        limits=TrackLimits((-9.0, 9.0, 1.0, 9.0)), **other,  # type: ignore[arg-type]
    )  # fmt: skip


TRACKS = (
    track("run", "ostinato", 2.0), track("bed", "bed", -2.0), track("tune", "melody", 0.0),
    track("second bed", "bed", 0.0), track("deep", "bass", 4.0), track("drum", "percussion", 0.0),
    track("held", "bed", 1.0, locks=frozenset(LOCKS)),
)  # fmt: skip
LOW, HIGH = [8.0, 1.0, 0.0], [0.0, 1.0, 8.0]
SHARES = shared_register(np.array([LOW, LOW, HIGH, HIGH, LOW, LOW, HIGH]))


def test_shared_register_is_that_of_closed_forms() -> None:
    """Layers of one spectrum share all; of (8, 1, 0) and (0, 1, 8) of 9 parts, one ninth."""
    assert SHARES[0, 1] == pytest.approx(1.0)
    assert SHARES[0, 2] == pytest.approx(1.0 / 9.0)


def test_rivals_stand_on_opposite_sides_and_distance_follows_the_role() -> None:
    """What carries the music is nearer, beds farther; bass and drums keep to the middle."""
    assert set(rivals(TRACKS, SHARES)) == {(0, 1), (2, 3)}
    mix = by_rules(TRACKS, SHARES)
    assert (mix[0].pan, mix[1].pan) == (SIDE, -SIDE)  # as they sit
    assert mix[2].pan == -mix[3].pan != 0.0
    assert mix[0].blend_db == mix[2].blend_db == mix[4].blend_db == (-6.0, 0.0, -9.0)
    assert mix[1].blend_db == mix[3].blend_db == (-18.0, 0.0, -3.0)
    assert mix[4].pan == 0.0
    assert mix[5:] == (TRACKS[5].start, TRACKS[6].start)


def test_three_moves_are_three_of_all() -> None:
    """Those first that carry the music and have a rival."""
    every = by_rules(TRACKS, SHARES)
    few = three_moves(TRACKS, SHARES, every)
    moved = [
        i for i, (one, track) in enumerate(zip(few, TRACKS, strict=True)) if one != track.start
    ]
    assert len(moved) == 3
    assert {0, 2} < set(moved)
    assert all(few[i] == every[i] for i in moved)


def test_a_layer_is_judged_over_the_cells_in_which_its_reference_sounds() -> None:
    """Brought into a band where it was not heard, it neither wins nor loses by that band."""
    rest = np.ones((2, 3, 4))
    usual = np.array([1.0, 0.5, 1e-3])[None, :, None] * np.array([1.0, 1.0, 1.0, 1e-4]) + 0 * rest
    where = sounding(usual)
    np.testing.assert_array_equal(where, [[1, 1, 1, 0], [1, 1, 1, 0], [0, 0, 0, 0]])
    brighter = usual * np.array([2.0, 2.0, 100.0])[None, :, None]
    before, after = (stands_out_db(one, rest, where) for one in (usual, brighter))
    assert before == pytest.approx(10.0 * np.log10(0.5) / 2.0, abs=1e-6)
    assert after - before == pytest.approx(10.0 * np.log10(2.0), abs=1e-6)


def test_attacks_are_judged_where_a_layer_begins_and_what_sounded_before_hides() -> None:
    """5 ms frames, two strokes: what stops 50 ms before the second counts as hiding it."""
    layer = np.full((2, 1, 200), 1e-6)
    layer[..., 50:60] = layer[..., 150:160] = 1.0
    assert np.flatnonzero(beginning(layer)[0]).tolist() == [50, 150]
    rest = np.full((2, 1, 200), 1e-9)
    rest[..., 130:140] = 1.0
    own, others = attack_energies(layer, rest)
    assert own[0, 0, [50, 150]] == pytest.approx([1.0, 1.0])
    assert others[0, 0, 150] == pytest.approx(10.0 / 26.0, rel=1e-6)
    assert others[0, 0, 50] == pytest.approx(1e-9)
    assert np.isnan(stands_out_db(own, others, np.zeros((1, 200), dtype=bool)))


def test_levels_back_leave_nothing_of_a_changed_spectrum(tmp_path: Path) -> None:
    """A layer with one third raised stands out more; with its levels back it does not."""
    rng = np.random.default_rng(3)
    rate = 16_000
    bed, line = 0.1 * rng.standard_normal((2, 2, 6 * rate))
    sections = butter(2, [900.0, 1100.0], "bandpass", fs=rate, output="sos")
    for place, sound in (("00", line), ("01", line + 2.0 * sosfilt(sections, line))):
        (tmp_path / place).mkdir()
        soundfile.write(tmp_path / place / "bed.wav", bed.T, rate, subtype="FLOAT")
        soundfile.write(tmp_path / place / "line.wav", sound.T, rate, subtype="FLOAT")
    before, after = (
        judged(tmp_path / place, ["bed", "line"], tmp_path / "00")["line"] for place in ("00", "01")
    )
    raised, back = after.held - before.held, after.held_back - before.held_back
    assert raised > 0.15
    assert abs(back) < 0.1 * raised
    assert before.held_back == pytest.approx(before.held, abs=1e-6)
