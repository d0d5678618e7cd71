"""What the trade knows of layers in one register: common practice, no source.

Every fact is judged by the evaluator of a search, in a small, rather dry room. Low notes of few
layers meet one another and the room by single frequencies, so ways of placing are compared over
several seats.

*Conventions*: blends are close, tree, outriggers, hall in dB.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import permutations, product
from pathlib import Path

import numpy as np
import pytest

from placer.cue.records import OFF_DB, Placement
from placer.run.evaluator import Evaluator
from tests.sampled.music import (
    QUARRY_HARMONY,
    TIDE_HARMONY,
    Layer,
    Music,
    figure,
    held,
    roots,
    tune,
)
from tests.sampled.small_stage import Seat, heard, judged, low_band_db, placed, stage

pytestmark = [pytest.mark.sampled, pytest.mark.slow]

CLOSE_LED = (-2.0, -4.0, -3.0, -1.0)
ROOMY = (OFF_DB, -3.0, 0.0, 0.0)
TREE = (OFF_DB, 0.0, OFF_DB, OFF_DB)
OUTRIGGERS = (OFF_DB, OFF_DB, 0.0, OFF_DB)
SPOT = (0.0, -6.0, OFF_DB, -6.0)

RIGHT = ((4.0, 2.8), (5.0, 3.6))
"""Seats of the low strings."""

HARMONY = QUARRY_HARMONY[:3]
LOW = ((48, 2.0), (51, 1.0), (53, 1.0), (55, 3.0), (53, 1.0), (51, 2.0), (48, 2.0))
HIGH = ((76, 2.0), (79, 1.0), (81, 1.0), (83, 3.0), (81, 1.0), (79, 2.0), (76, 2.0))
MIDDLE = ((52, 2.0), (55, 1.0), (57, 1.0), (59, 3.0), (57, 1.0), (55, 2.0), (60, 2.0))

GALLOP = tuple(
    (0.25 * i, 0.2, (0, 0, 0, 1, 0, 0, 2, 0)[i % 8], 112 if i in (0, 6, 12) else 78)
    for i in range(16)
)
LONG = ((0.0, 3.9, 0, 96),)
STEADY = tuple(
    (0.5 * i, 0.42, (0, 1, 2, 1)[i % 4], 112 if i in (0, 3, 6) else 82) for i in range(8)
)
OSTINATO = Layer("ostinato", 42, "celli", "ostinato", -22.0, figure(HARMONY, 36, GALLOP))
BED = Layer("bed", 48, "celli", "bed", -21.5, held(HARMONY, 36, (0, 1, 2, 3), 88))
REEDS = Layer("reeds", 70, "bassoons", "ostinato", -23.0, figure(TIDE_HARMONY[4:7], 41, STEADY))
BRASS = Layer("brass", 57, "celli", "bed", -22.0, held(TIDE_HARMONY[4:7], 41, (0, 1, 2), 92))
OTHERS = (
    Layer("basses", 43, "basses", "bass", -22.0, roots(HARMONY, 28, LONG)),
    Layer("horns", 60, "horns", "melody", -22.5, tune(MIDDLE, 100)),
    Layer("violins", 48, "violins_1", "melody", -23.0, tune(HIGH, 100)),
)

Places = Sequence[Placement]


@pytest.fixture(autouse=True)
def _tools(sampled: Callable[[str], Path]) -> None:
    """Skip where a tool is missing, but never in continuous integration."""


def staged(folder: Path, *layers: Layer) -> Evaluator:
    """Five and a half seconds of some layers."""
    return stage(folder, Music("Facts (invented)", 132.0, 12.0, layers))


def mirrored(seat: Seat) -> Seat:
    """The same seat on the other side."""
    return (-seat[0], seat[1])


def figure_and_bed(evaluator: Evaluator) -> dict[str, list[Places]]:
    """Ways of placing a low figure and a low bed, each at several pairs of seats."""
    first, second, *rest = evaluator.starts
    usual = first.blend_db
    ways: dict[str, list[Places]] = {
        "alike": [], "sides": [], "depth": [], "both": [],
    }  # fmt: skip
    for one, other in product(RIGHT, RIGHT):
        ways["alike"].append([placed(first, usual, one), placed(second, usual, other), *rest])
        ways["depth"].append([placed(first, CLOSE_LED, one), placed(second, ROOMY, other), *rest])
        for a, b in ((mirrored(one), other), (one, mirrored(other))):
            ways["sides"].append([placed(first, usual, a), placed(second, usual, b), *rest])
            ways["both"].append([placed(first, CLOSE_LED, a), placed(second, ROOMY, b), *rest])
    return ways


@pytest.mark.parametrize(
    "layers",
    [(OSTINATO, BED, *OTHERS), (REEDS, BRASS)],
    ids=["celli among others", "other instruments and key"],
)
def test_low_figure_over_low_bed(tmp_path: Path, layers: tuple[Layer, ...]) -> None:
    """Opposite sides beat one side, and sides and depth together beat either of them.

    Depth alone is not asked to help: since no placement wins by spectrum, a model of energies
    rewards it little between two layers of one register (Westermann & Buchholz 2015 heard up to
    10 dB of it, which such models do not explain). None of it loses low-band energy over all seats,
    and the figure keeps its room.
    """
    evaluator = staged(tmp_path, *layers)
    mean = {}
    for name, cases in figure_and_bed(evaluator).items():
        costs = [judged(evaluator, case) for case in cases]
        mean[name] = float(np.mean([heard(evaluator, cost) for cost in costs]))
        assert np.mean([low_band_db(evaluator, case) for case in cases]) > -1.0, name
        for cost in costs:
            assert cost.figures["late_change_db"][0] > -6.0
    clear = 0.007 * 2 / len(layers)  # two layers of so many gain
    assert mean["sides"] < mean["alike"] - clear
    assert mean["both"] < min(mean["sides"], mean["depth"]) - clear


@pytest.mark.parametrize(
    ("programs", "sections", "line"),
    [
        ((42, 41), ("celli", "violas"), LOW),
        ((42, 60), ("celli", "horns"), LOW),
        ((70, 57), ("bassoons", "trombones"), MIDDLE),
    ],
    ids=["celli and violas", "celli and horns", "bassoons and trombones, another key"],
)
def test_unison_sections_one_close_and_one_far(
    tmp_path: Path,
    programs: tuple[int, int],
    sections: tuple[str, str],
    line: tuple[tuple[int, float], ...],
) -> None:
    """Two sections in unison through the tree cost more than one close, one by the outriggers.

    That is so for the better choice of which comes close, and on the mean of both choices.
    """
    evaluator = staged(
        tmp_path,
        Layer("first", programs[0], sections[0], "melody", -23.0, tune(line, 100)),
        Layer("second", programs[1], sections[1], "melody", -23.0, tune(line, 100)),
    )
    first, second = evaluator.starts
    alike = heard(evaluator, judged(evaluator, [placed(first, TREE), placed(second, TREE)]))
    apart = [
        heard(evaluator, judged(evaluator, [placed(first, a), placed(second, b)]))
        for a, b in ((SPOT, OUTRIGGERS), (OUTRIGGERS, SPOT))
    ]
    assert np.mean(apart) < alike
    assert min(apart) < alike - 0.01


def layered(count: int) -> tuple[Layer, ...]:
    """A figure and some beds of one section in one register."""
    programs, lows = (48, 43, 49, 44, 48), (36, 38, 36, 40, 37)
    return OSTINATO, *(
        Layer(
            f"bed_{i}", programs[i], "celli", "bed", -21.5 - 0.5 * i,
            held(HARMONY, lows[i], (0, 1, 2)[: 3 - i % 2], 88),
        )
        for i in range(count)
    )  # fmt: skip


def dealt(evaluator: Evaluator) -> Places:
    """The figure close on the left, its beds dealt to sides and depths."""
    first, *beds = evaluator.starts
    seats = ((4.0, 2.8), (-4.5, 3.2), (6.5, 5.0), (-6.5, 5.0), (1.5, 6.0))
    blends = (
        ROOMY, (-10.0, 0.0, -2.0, -6.0), (OFF_DB, -6.0, 0.0, -3.0), (-6.0, 0.0, OFF_DB, -6.0),
        (OFF_DB, -3.0, -3.0, 0.0),
    )  # fmt: skip
    return [
        placed(first, CLOSE_LED, mirrored(RIGHT[0])),
        *(placed(*each) for each in zip(beds, blends, seats, strict=False)),
    ]


def test_layers_dealt_to_places_rise_in_a_pair_and_in_a_crowd(tmp_path: Path) -> None:
    """Every layer of two and of six rises; the most hidden of six starts far lower."""
    lowest = []
    for count in (1, 5):
        folder = tmp_path / str(count)
        folder.mkdir()
        evaluator = staged(folder, *layered(count))
        margins = [
            judged(evaluator, case).figures["margin_db"]
            for case in (evaluator.starts, dealt(evaluator))
        ]
        assert np.all(margins[1] - margins[0] > 0.2)
        lowest.append(float(margins[0].min()))
    few, many = lowest
    assert many < few - 5.0


def test_a_far_section_may_be_the_louder_one(tmp_path: Path) -> None:
    """Sent far, a loud layer keeps its loudness, hides no less than before and stands far behind.

    Nor does it hide much more, though its room is everywhere at once: a fifth at the most.
    """
    evaluator = staged(tmp_path, replace(BED, level_db=-16.0), OSTINATO)
    bed, ostinato = evaluator.starts
    near = judged(evaluator, [placed(bed, SPOT), ostinato])
    far = judged(evaluator, [placed(bed, (OFF_DB, OFF_DB, -4.0, 0.0), (2.0, 10.0)), ostinato])
    depth = far.figures["early_late_db"]
    assert depth[0] < near.figures["early_late_db"][0] - 5.0
    assert depth[0] < depth[1] - 2.0
    assert abs(far.figures["loudness_change_lu"][0]) < 0.5
    assert far.heard.hides[1, 0] > 2.0 * far.heard.hides[0, 1]
    assert 1.0 <= far.heard.hides[1, 0] / near.heard.hides[1, 0] < 1.2


PLAIN = (
    Layer("violins", 48, "violins_1", "melody", -22.0, tune(HIGH, 100)),
    Layer("celli", 42, "celli", "bass", -23.0, roots(HARMONY, 40, LONG)),
    Layer("horns", 60, "horns", "bed", -25.0, held(HARMONY, 55, (0, 1), 84)),
    Layer("flutes", 73, "flutes", "counter_melody", -28.0, tune(MIDDLE, 90, 36)),
)
SPARSE = (
    Layer("oboe", 68, "oboes", "melody", -23.0, tune(HIGH, 96, 3)),
    Layer("basses", 43, "basses", "bass", -23.0, roots(TIDE_HARMONY[4:7], 29, LONG)),
    Layer("violas", 48, "violas", "bed", -26.0, held(TIDE_HARMONY[4:7], 55, (0, 1), 80)),
)
CROWDED = (
    OSTINATO,
    BED,
    Layer("bassoons", 70, "celli", "ostinato", -23.0, figure(HARMONY, 36, GALLOP)),
    Layer("low horns", 60, "celli", "bed", -23.0, held(HARMONY, 43, (0, 1), 84)),
)
HEAVY = (
    replace(REEDS, section="trombones"),
    replace(BRASS, section="trombones"),
    Layer("tuba", 58, "trombones", "bed", -23.0, roots(TIDE_HARMONY[4:7], 41, LONG)),
)


def test_usual_seating_is_a_good_start(tmp_path: Path) -> None:
    """For a plain texture no exchange of its own seats gains much, and any one heap loses.

    Exchanged seats are another picture; the limits on side, tone and room tell them apart.
    """
    evaluator = staged(tmp_path, *PLAIN)
    starts = evaluator.starts
    usual = judged(evaluator, starts)
    exchanged = [
        judged(
            evaluator,
            [
                placed(one, one.blend_db, starts[k].seat)
                for one, k in zip(starts, order, strict=True)
            ],
        )
        for order in permutations(range(4))
    ][1:]
    gains = [heard(evaluator, usual) - heard(evaluator, one) for one in exchanged]
    assert max(gains) < 0.02
    assert usual.total < min(one.total for one in exchanged)
    for seat in ((0.0, 4.0), (5.0, 4.0), (0.0, 9.0)):
        heap = judged(evaluator, [placed(one, one.blend_db, seat) for one in starts])
        assert heard(evaluator, heap) > heard(evaluator, usual) + 0.005


@pytest.mark.parametrize(
    ("layers", "collides"),
    [(PLAIN, False), (SPARSE, False), (CROWDED, True), (HEAVY, True)],
    ids=["plain", "sparse", "crowded", "heavy"],
)
def test_seats_are_left_where_layers_collide(
    tmp_path: Path, layers: tuple[Layer, ...], collides: bool
) -> None:
    """Of seats dealt at random, most are worse where layers leave room, most better in one heap."""
    seats = ((-5.0, 3.0), (-1.5, 6.5), (2.0, 7.5), (5.5, 4.5))
    evaluator = staged(tmp_path, *layers)
    usual = heard(evaluator, judged(evaluator, evaluator.starts))
    gains = np.array(
        [
            usual
            - heard(
                evaluator,
                judged(
                    evaluator,
                    [
                        placed(one, one.blend_db, seats[k])
                        for one, k in zip(evaluator.starts, row, strict=True)
                    ],
                ),
            )
            for row in np.random.default_rng(1).integers(4, size=(16, len(layers)))
        ]
    )
    if collides:
        assert np.mean(gains > 0.0) > 1 / 2
        assert gains.mean() > 0.0
    else:
        assert np.mean(gains > 0.0) < 1 / 3
        assert gains.mean() < 0.0
