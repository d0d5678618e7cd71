"""The best few: cheap, audibly different, one per idea."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from placer.search.choose import AUDIBLE, Features, choose, differences, moved_most


def features(lateral: np.ndarray, drr: np.ndarray | None = None) -> Features:
    lateral = np.asarray(lateral, float)
    drr = np.zeros_like(lateral) if drr is None else np.asarray(drr, float)
    return Features(lateral, drr, np.zeros((*lateral.shape, 2)))


def test_one_step_of_every_track_is_one() -> None:
    """A mix with every track 3 dB drier is one clear step away, half of them half a step."""
    drr = np.array([[0.0, 0.0], [3.0, 3.0], [3.0, 0.0]])
    apart = differences(features(np.zeros((3, 2)), drr), np.ones(2), 0)
    assert apart == pytest.approx([0, 1, 0.5])


def test_silent_tracks_do_not_make_a_difference() -> None:
    """Only what is heard counts: a track without weight may be anywhere."""
    apart = differences(features([[0, -30], [0, 30]]), np.array([1.0, 0.0]), 0)
    assert apart[1] == 0


def test_blend_alone_is_a_difference() -> None:
    """The same place and ratio through other microphones is another sound."""
    blend = np.array([[[0.0, -6.0]], [[-3.0, -3.0]]])
    apart = differences(Features(np.zeros((2, 1)), np.zeros((2, 1)), blend), np.ones(1), 0)
    assert apart[1] == pytest.approx(1)


def test_copies_of_the_best_are_passed_over() -> None:
    """Five near copies of the best and one other idea: both ideas are chosen, no copy."""
    lateral = np.vstack([np.zeros((1, 4)), np.full((5, 4), 0.2), np.full((1, 4), 25.0)])
    cost = np.array([1.0, 1.01, 1.02, 1.03, 1.04, 1.05, 1.5])
    chosen = choose(cost, features(lateral), np.ones(4), count=3)
    assert [(c.index, c.idea) for c in chosen] == [(0, 0), (6, 1)]


def test_every_idea_before_any_twice() -> None:
    """Three ideas with a cheap second helping of the first: the ideas come first."""
    lateral = np.array([[0.0], [3.0], [15.0], [-15.0]])
    cost = np.array([1.0, 1.001, 1.4, 1.5])
    three = choose(cost, features(lateral), np.ones(1), count=3)
    assert {c.index for c in three} == {0, 2, 3}
    four = choose(cost, features(lateral), np.ones(1), count=4)
    assert [c.index for c in four] == [0, 1, 2, 3]
    assert len({c.idea for c in four}) == 3


def test_worst_cost_bounds_the_choice() -> None:
    """An idea that sounds worse than the reference is not worth hearing; the best always is."""
    lateral = np.array([[0.0], [20.0]])
    one = choose(np.array([1.0, 2.0]), features(lateral), np.ones(1), count=2, worst_cost=1.5)
    assert [c.index for c in one] == [0]
    hopeless = choose(np.array([3.0, 4.0]), features(lateral), np.ones(1), count=2, worst_cost=1.5)
    assert [c.index for c in hopeless] == [0]


@given(
    st.lists(st.tuples(st.floats(0, 1), st.floats(-30, 30), st.floats(-30, 30)), min_size=1),
    st.integers(1, 6),
)
def test_promises_of_a_choice(rows: list[tuple[float, float, float]], count: int) -> None:
    """Whatever the candidates: best first, sorted by cost, all audibly apart, none twice."""
    cost = np.array([r[0] for r in rows])
    heard = features(np.array([r[1:] for r in rows]))
    chosen = choose(cost, heard, np.array([1.0, 2.0]), count=count)
    indices = [c.index for c in chosen]
    assert cost[indices[0]] == cost.min()
    assert list(cost[indices]) == sorted(cost[indices])
    assert len(chosen) <= count
    for a, b in itertools.combinations(indices, 2):
        assert differences(heard, np.array([1.0, 2.0]), a)[b] >= AUDIBLE


def test_words_name_what_moved_most() -> None:
    """The largest clear steps are named with from and to; what hardly moved is not."""
    blend = np.zeros((2, 3, 2))
    blend[1, 2] = [-12.0, -1.0]
    lateral = np.array([[-10.0, 0.0, 0.0], [20.0, 1.0, 0.0]])
    heard = Features(lateral, np.array([[0.0, 0, 0], [0, 5.0, 0]]), blend)
    assert moved_most(heard, np.ones(3), 0, 1) == (
        (0, "lateral", -10.0, 20.0),
        (2, "blend", 0.0, -12.0),
        (1, "drr", 0.0, 5.0),
    )
    assert moved_most(heard, np.ones(3), 0, 0) == ()


def test_sizes_must_agree() -> None:
    """A cost without features, or features that disagree, are refused with both sizes."""
    with pytest.raises(ValueError, match="3 costs and 1 weights"):
        choose(np.zeros(3), features([[0], [0]]), np.ones(1), count=1)
    with pytest.raises(ValueError, match="features disagree"):
        Features(np.zeros((2, 1)), np.zeros((1, 2)), np.zeros((2, 1, 1)))
