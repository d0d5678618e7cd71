"""What the trade knows, on invented layers with closed-form rooms: common practice, no source."""

from __future__ import annotations

from dataclasses import replace

from placer.cost.objective import Cost
from tests.placer.synthetic import Layer, Music, Spot

TREE = Spot(pan=0.0, clarity_db=2.0)
CLOSE = Spot(pan=0.0, clarity_db=7.0)
FAR = Spot(pan=0.0, clarity_db=-3.0)

FIGURE = Layer("ostinato", 55, 400, rate=5.0, articulation=0.9)
BED = Layer("bed", 55, 400, articulation=0.1)
OTHERS = [Layer("violins", 500, 5000, articulation=0.5), Layer("choir", 300, 2500, weight=0.6)]


def costs(layers: list[Layer], start: list[Spot], *trials: list[Spot]) -> list[Cost]:
    """Cost of each trial against one reference."""
    music = Music(layers, start, frames=60)
    return [music.cost(spots) for spots in trials]


def test_unison_sections_one_close_and_one_far() -> None:
    """Two sections in unison through the tree cost more than one close and one outrigger-led."""
    sections = [replace(BED, name="first"), replace(BED, name="second")]
    both, split = costs(
        sections, [TREE, TREE], [TREE, TREE], [CLOSE, replace(FAR, clarity_db=-1.0)]
    )
    assert split.total < both.total
    assert split.terms["overlap"] < both.terms["overlap"] - 0.2


def figure_and_bed(*trials: tuple[Spot, Spot]) -> list[Cost]:
    """Costs of a low figure and a low bed by one section, beside two other layers."""
    rest = [Spot(-0.1, 4.0), Spot(0.1, 0.0)]
    start = [TREE, TREE, *rest]
    return costs([FIGURE, BED, *OTHERS], start, *([f, b, *rest] for f, b in trials))


def test_low_figure_over_low_bed() -> None:
    """Opposite sides beat one side, close over roomy beats alike, both together beat either."""
    left, right = {"pan": -0.5}, {"pan": 0.8}
    alike, sides, depth, both = figure_and_bed(
        (TREE, TREE),
        (replace(TREE, **left), replace(TREE, **right)),
        (CLOSE, replace(FAR, clarity_db=-1.0)),
        (replace(CLOSE, **left), replace(FAR, clarity_db=-1.0, **right)),
    )
    assert sides.total < alike.total
    assert depth.total < alike.total
    assert both.total < min(sides.total, depth.total)
    heard = [cost.figures["audible_share"][:2].sum() for cost in (alike, sides, depth, both)]
    assert heard[3] > max(heard[1], heard[2]) > heard[0]
    assert both.terms["low_weight"] == 0.0


def test_layered_sections_gain_more_than_a_few() -> None:
    """Moving rivals apart, a clear step of depth each, gains more where many share the register."""
    few, many = 1, 5
    gains = []
    for count in (few, many):
        sections = [FIGURE] + [replace(BED, name=f"bed {i}", level_db=-1.0) for i in range(count)]
        start = [TREE] * (count + 1)
        apart = [replace(CLOSE, pan=-0.8)] + [
            Spot(pan=0.8 - 0.25 * i, clarity_db=1.0 - 3.0 * i) for i in range(count)
        ]
        before, after = costs(sections, start, start, apart)
        gains.append(before.terms["overlap"] - after.terms["overlap"])
    assert gains[1] > gains[0]


def test_a_far_section_may_be_the_louder_one() -> None:
    """Depth and level are independent: far and loud violates nothing and masks by its level."""
    loud = [replace(BED, level_db=6.0), FIGURE]
    (cost,) = costs(loud, [FAR, CLOSE], [FAR, CLOSE])
    assert cost.feasible
    assert cost.figures["early_late_db"][0] < cost.figures["early_late_db"][1] - 5.0
    assert cost.heard.hides[1, 0] > cost.heard.hides[0, 1]


def test_plain_textures_stay_where_they_sit() -> None:
    """Where layers do not collide, leaving usual seats gains nothing."""
    plain = [
        Layer("violins", 700, 6000, articulation=0.5),
        Layer("low strings", 45, 160, articulation=0.3),
        Layer("horns", 220, 520, articulation=0.3),
    ]
    usual = [Spot(-0.4, 4.0), Spot(0.4, 4.0), Spot(-0.1, 3.0)]
    moved = [replace(spot, pan=-spot.pan, seating=6.0) for spot in usual]
    stay, left = costs(plain, usual, usual, moved)
    assert stay.total < left.total
