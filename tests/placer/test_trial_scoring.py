"""The reference is the yardstick: it breaks nothing; what stays as it was costs what it cost."""

from __future__ import annotations

import dataclasses
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from placer.placing.options import propose
from placer.trial.filters import placement_filter
from placer.trial.ground import Ground
from placer.trial.judge import Judge, cue_hash
from placer.trial.kept import Kept, size_of
from placer.trial.material import SHARED, shared_space, with_arrays
from placer.trial.passages import read_passages
from placer.trial.plain import placement_from, placement_values, placements_from
from placer.trial.scoring import ExactScorer
from scipy.signal import oaconvolve

from placer.audio.loudness import integrated_loudness, true_peak_db
from placer.cue.read import read_cue
from placer.cue.records import OFF_DB, Placement
from placer.result.mixing import close_delay
from placer.result.place import direct_db
from tests.placer.small_cue import RATE, write_cue


def random_placements(judge: Judge, seed: int) -> tuple[Placement, ...]:
    """One placement a track, anywhere it may be."""
    rng = np.random.default_rng(seed)
    material = judge.material
    return tuple(
        propose(track, table, count=2, trim_db=0.0, rng=rng)[-1]
        for track, table in zip(material.cue.tracks, material.tables, strict=True)
    )


def test_the_reference_breaks_no_limit(small_judge: Judge) -> None:
    """What the composer has is allowed, and no term that counts from it is above zero."""
    cost = small_judge.reference.cost
    assert cost.feasible
    assert all(value <= 1e-9 for value in cost.violations.values())
    for term in ("low_weight", "balance", "mono", "seating"):
        assert cost.terms[term] == pytest.approx(0.0, abs=1e-6)
    assert 0.0 < cost.total < 1.0


def test_everything_at_its_start_costs_what_the_reference_costs(small_judge: Judge) -> None:
    """Scored afresh, exactly or on the tables, the start is the reference."""
    again = ExactScorer(small_judge.material)
    assert again.score(again.starts).cost.total == small_judge.reference.cost.total
    tables, scorer = small_judge.at({})
    assert scorer is small_judge.scorer
    catalogue = tables.everywhere(np.random.default_rng(0))
    start = np.zeros(len(catalogue), dtype=np.int64)
    ground = Ground(tables, scorer, catalogue, start)
    # seats are not exact in the first catalogue, so this is as near as theory is
    table_cost = ground.around(start).cost(start)
    assert table_cost == pytest.approx(small_judge.reference.cost.total, rel=0.2)
    focused = tables.around([small_judge.scorer.starts], np.random.default_rng(0), exact=True)
    exact_seats = tables.landscape(focused).cost(start)
    assert exact_seats == pytest.approx(small_judge.reference.cost.total, rel=0.05)


@pytest.mark.slow
def test_tables_and_convolution_rank_alike(small_judge: Judge) -> None:
    """Candidates that the tables on exact seats call better are better when really convolved."""
    tables, scorer = small_judge.at({})
    table_costs, costs = [], []
    for seed in range(8):
        placements = random_placements(small_judge, seed)
        catalogue = tables.around([placements], np.random.default_rng(0), exact=True)
        state = np.array(
            [o.placements.index(p) for o, p in zip(catalogue, placements, strict=True)]
        )
        table_costs.append(tables.landscape(catalogue).cost(state))
        costs.append(scorer.score(placements).cost.total)
    assert (
        np.corrcoef(np.argsort(np.argsort(table_costs)), np.argsort(np.argsort(costs)))[0, 1] > 0.7
    )


def test_every_placed_track_has_its_reference_loudness(small_judge: Judge) -> None:
    """No layer wins by getting louder: in the passage each is within 0.01 LU of the reference."""
    scorer = small_judge.scorer
    for seed in (1, 2):
        for index, placed in enumerate(scorer._placed(random_placements(small_judge, seed))):
            loudness = integrated_loudness(placed.audio, RATE)
            assert loudness == pytest.approx(scorer.targets[index], abs=0.01)


def test_trim_is_loudness_on_top(small_judge: Judge) -> None:
    """A track that may leave its loudness by 2 dB is that much louder, and no other is."""
    starts = small_judge.scorer.starts
    louder = (replace(starts[0], trim_db=2.0), *starts[1:])
    plain, raised = (small_judge.scorer.score(p).make_up_db for p in (starts, louder))
    np.testing.assert_allclose(raised - plain, [2.0, 0.0, 0.0, 0.0], atol=1e-6)


def test_the_mix_is_judged_as_it_sounds(small_judge: Judge) -> None:
    """Loudness and true peak are those of the real sum of the placed tracks."""
    placements = random_placements(small_judge, 3)
    scored = small_judge.scorer.score(placements)
    mix = sum(placed.audio for placed in small_judge.scorer._placed(placements))
    assert scored.lufs == pytest.approx(integrated_loudness(mix, RATE), abs=1e-3)
    assert scored.true_peak_dbtp == pytest.approx(true_peak_db(mix, RATE), abs=1e-3)
    assert scored.sounding.mix is not None
    power = np.mean(np.square(mix.astype(float)))
    assert scored.sounding.mix[:2].sum() / 2 == pytest.approx(power, rel=0.1)


def test_memory_has_a_bound(small_judge: Judge) -> None:
    """However little may be kept, scores do not change by that."""
    fresh = ExactScorer(small_judge.material)
    size = fresh.kept.bytes
    first = fresh.score(random_placements(small_judge, 4)).cost.total
    assert size < fresh.kept.bytes <= 2 * size
    fresh.kept.bound(size // 2)
    fresh.score(random_placements(small_judge, 5))
    assert 0 < fresh.kept.bytes <= size // 2
    assert fresh.score(random_placements(small_judge, 4)).cost.total == first
    fresh.kept.bound(0)
    assert (len(fresh.kept), fresh.kept.bytes) == (0, 0)
    assert fresh.score(random_placements(small_judge, 4)).cost.total == first
    assert len(fresh.kept) == 0


def test_the_oldest_sound_goes_first(small_judge: Judge) -> None:
    """A candidate's own tracks stay until it is done; others go, longest unused first."""
    one = next(small_judge.scorer._placed(small_judge.scorer.starts))
    kept = Kept(3 * size_of(one))
    for name in "abc":
        kept.offer(name, one, "abc")
    assert kept.get("a") is one
    kept.offer("d", one, "d")
    assert [name in kept for name in "abcd"] == [True, False, True, True]
    kept.offer("e", one, "acde")
    assert "e" not in kept
    assert kept.get("e") is None
    assert kept.bytes == 3 * size_of(one)


def test_recorded_tracks_are_placed_once_for_all_arrays(small_judge: Judge) -> None:
    """Scorers of other arrays share one memory, and what their arrays do not hear is there."""
    material = with_arrays(small_judge.material, {"tree_height": 3.2})
    recorded = [t.kind != "dry" for t in material.cue.tracks]
    assert any(recorded)
    assert all(
        (mine is theirs) == shared
        for mine, theirs, shared in zip(
            material.tables, small_judge.material.tables, recorded, strict=True
        )
    )
    first = ExactScorer(small_judge.material)
    before = len(first.kept)
    other = ExactScorer(material, first)
    assert other.kept is first.kept
    other.score(other.starts)
    assert len(first.kept) == before + recorded.count(False)


def test_a_passage_that_is_not_held_scores_the_same(small_judge: Judge) -> None:
    """Stems that memory has no room for are read again, to the same sample; dry ones come first."""
    cue, held = small_judge.material.cue, small_judge.material.passages
    dry = sum(p.samples.nbytes for p, t in zip(held, cue.tracks, strict=True) if t.kind == "dry")
    some = read_passages(cue, (0.2, 2.8), most_bytes=dry)
    assert [passage.held for passage in some] == [track.kind == "dry" for track in cue.tracks]
    again = read_passages(cue, (0.2, 2.8), most_bytes=0)
    assert not any(passage.held for passage in again)
    for one, other in zip(held, again, strict=True):
        np.testing.assert_array_equal(one.samples, other.samples)
        assert (one.layout, one.silent) == (other.layout, other.silent)
    scorer = ExactScorer(replace(small_judge.material, passages=again))
    placements = random_placements(small_judge, 4)
    expected = small_judge.scorer.score(placements).cost.total
    assert scorer.score(placements).cost.total == expected


def test_a_filter_is_the_placement(small_judge: Judge) -> None:
    """What the renderer convolves with gives what the exact level judged, before make-up."""
    material, scorer = small_judge.material, small_judge.scorer
    aligned = replace(material.cue.tracks[2].start, aligned=True, pan=0.3)
    placements = (*random_placements(small_judge, 6)[:2], aligned, scorer.starts[3])
    placed = scorer._placed(placements)
    for index, (placement, one) in enumerate(zip(placements, placed, strict=True)):
        track, layout = material.cue.tracks[index], material.passages[index].layout
        responses = placement_filter(
            material.cue, track, placement,
            channels=(len(material.passages[index].samples),) if track.kind == "dry"
            else layout.channels,
            close_delay=close_delay(material, index, placement),
        )  # fmt: skip
        samples = material.passages[index].samples
        sound = sum(
            oaconvolve(channel[None], pair, axes=-1)[:, : samples.shape[1]]
            for channel, pair in zip(samples.astype(float), responses.astype(float), strict=True)
        )
        sound *= 10 ** (one.make_up_db / 20)
        assert np.max(np.abs(sound - one.audio)) < 2e-5 * np.max(np.abs(sound))


def test_nearer_is_more_direct(small_judge: Judge) -> None:
    """The close position has a higher direct-to-reverberant ratio than the hall one."""
    seat = small_judge.material.cue.tracks[0].start.seat
    close = Placement(seat, (0.0, OFF_DB, OFF_DB, OFF_DB))
    far = Placement(seat, (OFF_DB, OFF_DB, OFF_DB, 0.0))
    tracks = small_judge.material.cue.tracks
    near_db, far_db = (
        direct_db(
            tracks[0],
            placement_filter(
                small_judge.material.cue, tracks[0], p, channels=(1,), close_delay=0.0
            ),
            RATE,
        )
        for p in (close, far)
    )
    assert near_db is not None
    assert far_db is not None
    assert near_db > far_db + 6.0
    # a recorded track's direct sound cannot be told from its early sound
    assert direct_db(tracks[2], np.ones((3, 2, 1)), RATE) is None


def test_plain_values_lose_nothing(small_judge: Judge) -> None:
    """A placement written to result.json is the same one when it is read back."""
    tracks = small_judge.material.cue.tracks
    for seed in range(10):
        placements = random_placements(small_judge, seed)
        rows = [placement_values(t, p) for t, p in zip(tracks, placements, strict=True)]
        back = placements_from(tracks, rows[::-1])
        assert back == tuple(
            replace(p, blend_db=tuple(OFF_DB if g <= OFF_DB else g for g in p.blend_db))
            for p in placements
        )
    with pytest.raises(KeyError):
        placement_from(tracks[0], {"name": "low"})


def test_arrays_follow_the_shared_numbers(small_judge: Judge) -> None:
    """Each shared number moves its own array; the same numbers give the same material."""
    material = small_judge.material
    moved = with_arrays(material, {"tree_height": 3.2, "hall_distance": 4.0})
    assert moved.cue.arrays.tree.height == 3.2
    assert moved.cue.arrays.hall.y == -4.0
    assert dataclasses.replace(moved.cue, arrays=material.cue.arrays) == material.cue
    assert moved.shared == (("tree_height", 3.2), ("hall_distance", 4.0))
    assert with_arrays(material, {}) is material
    same = with_arrays(material, {"tree_height": material.cue.arrays.tree.height})
    assert same.tables is material.tables
    assert not np.allclose(moved.tables[0].early, material.tables[0].early)


def test_shared_numbers_matter_only_to_dry_tracks(tmp_path: Path) -> None:
    """Where nothing dry is heard by arrays, there is nothing for the outer loop to choose."""
    cue = read_cue(write_cue(tmp_path, search="tree_height = [2.8, 3.2]"))
    assert shared_space(cue) == {"tree_height": [2.8, 3.2]}
    recorded = replace(cue, tracks=cue.tracks[2:])
    assert shared_space(recorded) == {}
    assert set(SHARED) <= {field.name for field in dataclasses.fields(cue.search)}


def test_the_judge_keeps_few_sets_of_tables(
    small_judge: Judge, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Scorers of other arrays share the reference, and the oldest goes when there are too many."""
    monkeypatch.setattr("placer.trial.judge.MOST_KEPT", 2)
    locked = [
        replace(track, locks=frozenset({"seat"})) if track.kind == "dry" else track
        for track in small_judge.material.cue.tracks
    ]
    cue = replace(small_judge.material.cue, tracks=tuple(locked))
    judge = Judge(replace(small_judge.material, cue=cue))
    scorers = [judge.at({"close_distance": d})[1] for d in (0.9, 1.2, 1.6)]
    assert len(judge._kept) == 2
    assert all(scorer.scene is judge.scorer.scene for scorer in scorers)
    assert judge.at({"close_distance": 1.6})[1] is scorers[-1]
    assert len({scorer.score(scorer.starts).cost.total for scorer in scorers}) == 3


def test_a_run_is_the_same_run_until_its_stems_or_settings_change(tmp_path: Path) -> None:
    """More trials or renders go on with a run; another seat, weight or sample does not."""
    path = write_cue(tmp_path)
    cue = read_cue(path)
    own = cue_hash(cue)
    assert own == cue_hash(replace(cue, search=replace(cue.search, trials=99, renders=1)))
    assert own == cue_hash(replace(cue, path=tmp_path / "elsewhere.toml"))
    assert own != cue_hash(replace(cue, search=replace(cue.search, seed=5)))
    assert own != cue_hash(replace(cue, weights=replace(cue.weights, mono=0.3)))
    assert own != cue_hash(replace(cue, tracks=cue.tracks[::-1]))
    stem = tmp_path / "low.wav"
    content = bytearray(stem.read_bytes())
    content[-1] ^= 1
    stem.write_bytes(bytes(content))
    assert own != cue_hash(cue)
