"""How fast a seat is simulated, as ratios to pyroomacoustics in the same run.

Each ratio is of the best of a few runs in processor time, all threads counted: other work on the
machine then favours neither side.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from sim.microphones import Microphone
from sim.reflections import arrivals, assemble
from sim.responses import early_responses, simulate
from sim.source import Source
from tests.sim.test_oracle import ARRAYS, RATE, WANTED, octave_levels, oracle

SEAT = (3.0, 4.0)
ORDER = 10
CAPSULES = [Microphone(m.position) for m in (*ARRAYS.shared(), ARRAYS.close_at(SEAT))]
TIMES_FASTER = 15.0

pytestmark = pytest.mark.benchmark(timer=time.process_time)


def best(work: Callable[[], Any], rounds: int) -> float:
    """Shortest of a few runs, s of processor time."""
    taken = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


def engine() -> list:
    return oracle(WANTED, Source(SEAT), CAPSULES, ORDER)


def own_images() -> np.ndarray:
    found = arrivals(WANTED, Source(SEAT), CAPSULES, order=ORDER)
    taps = int((found.delay.max() + 0.05) * RATE)
    return assemble(WANTED, found, taps=taps, sample_rate=RATE)


def full() -> Any:
    return simulate(WANTED, Source(SEAT), CAPSULES, sample_rate=RATE, seed=1)


@pytest.fixture(scope="module")
def engine_seconds() -> float:
    """`compute_rir` to order 10, one source and eight microphones at 48 kHz."""
    return best(engine, 2)


def test_equal_images(benchmark: Any, engine_seconds: float) -> None:
    """The same 1561 images at 8 microphones: 15 times faster, every octave within 0.5 dB."""
    own = own_images()
    np.testing.assert_allclose(octave_levels(list(own)), octave_levels(engine()), atol=0.5)
    benchmark.pedantic(own_images, rounds=7, warmup_rounds=1)
    ratio = engine_seconds / benchmark.stats.stats.min
    benchmark.extra_info["times faster than pyroomacoustics"] = round(ratio, 1)
    assert ratio > TIMES_FASTER


def test_full_response_set(benchmark: Any, engine_seconds: float) -> None:
    """Early and late parts of a seat, to the end of the decay: 15 times faster than 10 orders."""
    full()
    benchmark.pedantic(full, rounds=7, warmup_rounds=1)
    ratio = engine_seconds / benchmark.stats.stats.min
    benchmark.extra_info["times faster than pyroomacoustics"] = round(ratio, 1)
    assert ratio > TIMES_FASTER


def test_stage_of_seats(benchmark: Any, engine_seconds: float) -> None:
    """Early parts of 150 seats (14 x 9 m, 1 m apart) cost less than six single `compute_rir`."""
    seats = [(float(x), float(y)) for x in range(-7, 8) for y in range(1, 11)]

    def stage() -> None:
        for seat in seats:
            capsules = (*CAPSULES[:7], ARRAYS.close_at(seat))
            early_responses(WANTED, Source(seat), capsules, sample_rate=RATE)

    stage()
    benchmark.pedantic(stage, rounds=2)
    ratio = benchmark.stats.stats.min / engine_seconds
    benchmark.extra_info["150 seats in compute_rir calls"] = round(ratio, 2)
    assert ratio < 6.0
