"""What a search compares does not change with the order in which a library sums."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import placer.precision
from placer.cue.read import read_cue
from placer.precision import Array, product, settled
from placer.progress import Quiet
from placer.run.ready import make_ready, survey_cue
from placer.run.trial import trial_of
from placer.search.trials import TrialOutcome
from placer.search.walk import lowest

USERS = (
    "placer.audio.envelopes", "placer.placement.measured", "placer.placement.options",
    "placer.run.evaluator",
)  # fmt: skip
"""Modules that sum by `product`."""


def test_a_product_is_the_same_in_any_order() -> None:
    """Bit for bit, and equal to the sum in double precision; single precision alone is not."""
    rng = np.random.default_rng(3)
    left, right = (rng.random(shape, dtype=np.float32) for shape in ((40, 1500), (1500, 30)))
    order = rng.permutation(1500)
    one, other = product(left, right), product(left[:, order], right[order])
    assert one.dtype == np.float32
    assert np.array_equal(one, other)
    assert not np.array_equal(left @ right, left[:, order] @ right[order])
    exact = np.array([[np.dot(a.astype(float), b) for b in right.T.astype(float)] for a in left])
    np.testing.assert_allclose(one, exact, rtol=1e-7)


def test_settled_numbers_lose_the_last_digits_of_a_sum() -> None:
    """What differs by rounding is one number then; what single precision tells apart stays two."""
    values = np.array([1.0 / 3.0, 1e-9, -7.0e5])
    assert np.array_equal(settled(values), settled(values * (1.0 + 1e-14)))
    assert (settled(values) != settled(values * (1.0 + 1e-6))).all()
    np.testing.assert_allclose(settled(values), values, rtol=6e-8)


def test_of_costs_that_differ_by_rounding_the_first_is_the_lowest() -> None:
    """And a clear gain is taken wherever it stands."""
    assert lowest(np.array([2.0, 1.0 + 1e-15, 1.0, 3.0])) == 1
    assert lowest(np.array([2.0, 1.0 + 1e-6, 1.0])) == 2
    assert lowest(np.array([-1.0, -1.0 - 1e-15])) == 0
    assert lowest(np.array([0.0, np.inf])) == 0


def reversed_product(left: Array, right: Array) -> Array:
    """The same sums from the last term to the first, one term after the other."""
    left, right = np.asarray(left, float), np.asarray(right, float)
    total = np.zeros((*np.broadcast_shapes(left.shape[:-2], right.shape[:-2]),
                      left.shape[-2], right.shape[-1]))  # fmt: skip
    for term in reversed(range(left.shape[-1])):
        total += left[..., term, None] * right[..., term, None, :]
    return total.astype(np.float32)


def trial_outcome(cue: Path) -> TrialOutcome:
    evaluator = make_ready(survey_cue(read_cue(cue), Quiet()), Quiet(), threads=1)
    return trial_of(evaluator, deadline=None, stop=bool)({}, 7)


def test_a_search_goes_the_same_way_whatever_the_order_of_sums(
    small_cue: Path,
    quick: None,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    """As with a library that sums in another order, all measured anew: the same rungs and costs."""
    as_it_is = trial_outcome(small_cue)
    monkeypatch.setenv("PLACER_CACHE", str(tmp_path))
    for name in USERS:
        monkeypatch.setattr(f"{name}.product", reversed_product)
    otherwise = trial_outcome(small_cue)
    assert placer.precision.product is product
    assert len(as_it_is.payload["rungs"]) > 0
    for one, two in zip(as_it_is.payload["rungs"], otherwise.payload["rungs"], strict=True):
        assert one["tracks"] == two["tracks"]
        assert one["steps"] == two["steps"]
        assert one["cost"] == pytest.approx(two["cost"], rel=1e-9)
