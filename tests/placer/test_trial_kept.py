"""What is let go of leaves the process, and what is kept is kept once."""

from __future__ import annotations

import os
import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from placer.placing.exact import Placed
from placer.placing.options import measure, propose
from placer.trial.catalogues import corrected
from placer.trial.judge import Judge
from placer.trial.kept import Kept, size_of
from placer.trial.passages import read_passages
from placer.trial.shelf import Shelf

STATM = Path("/proc/self/statm")


def resident() -> int:
    """Bytes of this process in memory."""
    return int(STATM.read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def placed(frames: int) -> Placed:
    """A placed track that is in memory from end to end."""
    audio = np.ones((2, frames), dtype=np.float32)
    rest = np.ones((4, 39, 1), dtype=np.float32)
    return Placed(audio, 0.0, rest, rest, rest[..., 0], rest[..., 0], rest[:, :11, 0])


@pytest.mark.skipif(not STATM.exists(), reason="tells resident memory from /proc")
def test_memory_that_is_let_go_is_given_back() -> None:
    """Tracks of some megabytes, which the C library would keep for itself, go back as well."""
    raised = np.ones(31 * 2**20, dtype=np.uint8)
    del raised  # from now on blocks of that size are taken from the heap
    kept = Kept(10**9)
    for number in range(30):
        kept.offer(number, placed(2**20), ())
    last = placed(2**20)  # above them in the heap: it cannot simply shrink
    before, size = resident(), kept.bytes
    assert size > 30 * 8 * 2**20
    kept.bound(size_of(last))
    assert kept.bytes <= size_of(last)
    assert resident() < before - 0.9 * (size - size_of(last))


def test_a_judge_that_lets_go_finds_the_same_again(small_judge: Judge) -> None:
    """What waiting for workers cost it is read and convolved anew, to the same mix."""
    material = replace(
        small_judge.material, passages=read_passages(small_judge.material.cue, (0.2, 2.8))
    )
    judge = Judge(material)
    expected = judge.scorer.sounding(judge.scorer.starts)
    assert judge.scorer.kept.bytes > 0
    assert any(passage.held for passage in material.passages)
    judge.let_go()
    assert judge.scorer.kept.bytes == 0
    assert not any(passage.held for passage in material.passages)
    again = judge.scorer.sounding(judge.scorer.starts)
    np.testing.assert_array_equal(again.mix, expected.mix)
    np.testing.assert_array_equal(again.late, expected.late)


def test_a_shelf_keeps_what_was_put_on_it_once(small_judge: Judge) -> None:
    """Covariances are those that were measured, all of them in the one array of the landscape."""
    tables, _ = small_judge.at({})
    shelf = tables.everywhere(np.random.default_rng(2))
    tracks = zip(
        small_judge.material.cue.tracks, small_judge.material.tables, shelf,
        small_judge._corrections_db, strict=True,
    )  # fmt: skip
    for track, table, options, by in tracks:
        apart = corrected(measure(track, table, options.placements), float(by))
        np.testing.assert_array_equal(options.early, apart.early)
        np.testing.assert_array_equal(options.late, apart.late)
        assert np.shares_memory(options.early, shelf.gains)
        assert np.shares_memory(options.late, shelf.gains)
    states = np.array([[len(o.placements) - 1 for o in shelf], [0] * len(shelf)])
    np.testing.assert_array_equal(
        tables.landscape(shelf).costs(states), tables.landscape(list(shelf)).costs(states)
    )
    count = sum(len(options.placements) for options in shelf)
    for wrong in (count - 1, count + 1):
        with pytest.raises(ValueError, match="announced"):
            Shelf(iter(shelf), wrong)


def test_a_worker_knows_what_the_first_process_has_scored(small_judge: Judge) -> None:
    """A judge that is told of the reference convolves nothing for it and judges all else alike."""
    known = pickle.loads(pickle.dumps(small_judge.known))
    told = Judge(small_judge.material, known=known)
    assert told.scorer.kept.bytes == 0
    assert told.reference.cost.total == small_judge.reference.cost.total
    np.testing.assert_array_equal(told._corrections_db, small_judge._corrections_db)
    rng = np.random.default_rng(5)
    tracks = zip(small_judge.material.cue.tracks, small_judge.material.tables, strict=True)
    placements = [propose(*one, count=2, trim_db=0.0, rng=rng)[-1] for one in tracks]
    one, other = (judge.scorer.score(placements) for judge in (told, small_judge))
    assert one.cost.total == other.cost.total
    assert told.kernel.compared.mix.lean_db == small_judge.kernel.compared.mix.lean_db
