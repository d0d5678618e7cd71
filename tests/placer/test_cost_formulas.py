"""Formulas that arrays and compiled loops share, and the slopes that were derived from them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba as nb
import numpy as np
import pytest

from placer.cost import formulas
from placer.cost.binaural import cancellation_limit
from placer.cost.compiled import larger, smaller
from placer.cost.kernel import through
from placer.cost.kernel_moves import _back, gain_slopes

NUMBERS = np.array([-3.0, -0.4, 0.0, 1e-9, 0.2, 1.0, 7.0])


@pytest.mark.parametrize(
    ("name", "arguments"),
    [
        ("blur", 3), ("cell_audibility", 2), ("decibel", 1), ("margin_db", 1),
        ("background_loss", 3), ("likeness", 1), ("crowded", 1), ("change_db", 3), ("lean_db", 2),
        ("lean_cost", 2), ("fold_db", 2), ("fold_loss_db", 2), ("third_cost", 1),
        ("shortfall_lu", 2), ("beyond", 2),
    ],
)  # fmt: skip
def test_compiled_formulas_are_the_plain_ones(name: str, arguments: int) -> None:
    """One number at a time in a compiled loop, or an array at once: the same."""
    formula: Callable[..., Any] = getattr(formulas, name)
    rng = np.random.default_rng(len(name))
    columns = [rng.permutation(np.abs(NUMBERS) + 0.01) for _ in range(arguments)]
    if name in ("background_loss", "likeness", "fold_loss_db", "lean_cost", "third_cost", "beyond"):
        columns[0] = NUMBERS  # these take either sign
    if arguments == 1:
        compiled = nb.njit(lambda a: formula(a))
    elif arguments == 2:
        compiled = nb.njit(lambda a, b: formula(a, b))
    else:
        compiled = nb.njit(lambda a, b, c: formula(a, b, c))
    found = [compiled(*numbers) for numbers in zip(*columns, strict=True)]
    np.testing.assert_allclose(found, formula(*columns), rtol=1e-12, atol=1e-15)


def test_the_larger_and_the_smaller() -> None:
    """The comparisons that formulas are made of, plain and compiled, in single precision too."""
    for function, expected in ((larger, np.maximum), (smaller, np.minimum)):
        compiled = nb.njit(_calls(function))
        for a, b in ((1.0, 2.0), (2.0, 1.0), (-1.0, -1.0)):
            assert compiled(a, b) == function(a, b) == expected(a, b)
            single = compiled(np.float32(a), np.float32(b))
            assert single == np.float32(expected(a, b))


def _calls(function: Callable[..., Any]) -> Callable[..., Any]:
    """A function that calls another."""
    return lambda a, b: function(a, b)


def plain(compiled: Any) -> Callable[..., Any]:
    """A compiled function as Python runs it, or as it is where nothing is compiled."""
    found: Callable[..., Any] = getattr(compiled, "py_func", compiled)
    return found


def covariance(rng: np.random.Generator, coherence: float) -> np.ndarray:
    """LL, RR, Re, Im of a pair of channels."""
    left, right = rng.uniform(0.3, 1.5, 2)
    phase = rng.uniform(-np.pi, np.pi)
    size = coherence * np.sqrt(left * right)
    return np.array([left, right, size * np.cos(phase), size * np.sin(phase)])


@pytest.mark.parametrize("hertz", [80.0, 250.0, 700.0, 1300.0])
def test_slopes_of_the_binaural_gain(hertz: float) -> None:
    """The derivative by hand against differences of the formula, in each of the masker's parts."""
    limit = float(cancellation_limit(np.array([hertz]))[0])
    rng, met = np.random.default_rng(int(hertz)), 0
    for _ in range(12):
        signal = covariance(rng, rng.uniform(0.2, 1.0))
        masker = covariance(rng, rng.uniform(0.1, 0.9))
        value = float(formulas.binaural_gain(tuple(signal), tuple(masker), limit))
        slopes = plain(gain_slopes)(tuple(signal), tuple(masker), limit)
        if value == 1.0:
            assert slopes == (0.0, 0.0, 0.0, 0.0)
            continue
        met += 1
        for part in range(4):
            step = np.zeros(4)
            step[part] = 1e-5
            up, down = (
                float(formulas.binaural_gain(tuple(signal), tuple(masker + by), limit))
                for by in (step, -step)
            )
            assert slopes[part] == pytest.approx((up - down) / 2e-5, rel=2e-3, abs=2e-4)
    assert met > 4


@pytest.mark.parametrize("loud", [0, 1])
def test_slopes_where_one_ear_is_far_quieter(loud: int) -> None:
    """Where signal and masker are 40 dB softer at one ear, the masker counts there double."""
    soft = np.full(2, 1e-4)
    soft[loud] = 1.0
    signal, masker = (np.array([*soft, turned * 0.009, 0.0]) for turned in (1.0, -1.0))
    limit = float(cancellation_limit(np.array([125.0]))[0])
    for part, size in ((loud, 1e-3), (1 - loud, 1e-7), (2, 1e-6)):
        step = size * np.eye(4)[part]
        up, down = (
            float(formulas.binaural_gain(tuple(signal), tuple(masker + by), limit))
            for by in (step, -step)
        )
        slope = plain(gain_slopes)(tuple(signal), tuple(masker), limit)[part]
        assert up > 1.5
        assert slope == pytest.approx((up - down) / (2.0 * size), rel=0.01)


def test_slopes_go_back_through_the_way_that_sound_went() -> None:
    """A change of the channels changes what the ears' slopes weigh as the channels' slopes say."""
    way, slopes, change = (np.random.default_rng(3).normal(size=n) for n in ((4, 4), 4, 4))
    ears = plain(through)(way, change)
    assert plain(_back)(way, slopes) @ change == pytest.approx(slopes @ ears, rel=1e-12)
