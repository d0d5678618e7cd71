"""More attempts to win by cheating, each against the honest placement of the same invented cue.

*Conventions*: as in `test_attacks`. A cheat is judged by the whole cost; where only a limit stands
in its way, the test says which.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from placer.cost import audibility
from placer.cost.objective import Cost
from placer.cost.scene import Limits
from sim.bands import ERB_CENTRES, LOW_THIRDS
from sim.ears import head_maps
from tests.placer import synthetic
from tests.placer.synthetic import Gains, Music, Spot
from tests.placer.test_attacks import (
    GOOD,
    HONEST,
    LAYERS,
    MUSIC,
    START,
    cost_of,
    in_bands,
)

CHOIR = 6
RIVALS = ((0, 1), (2, 3), (4, 5))
"""Layers that share a register."""


def with_gains(early: np.ndarray, late: np.ndarray) -> Cost:
    """Cost of the honest placement with other early and late gains."""
    thirds = np.repeat((early + late)[:, :, :1], len(LOW_THIRDS), 2)
    return MUSIC.cost(HONEST, Gains(early, late, 0.7 * early, thirds))


def honest() -> tuple[np.ndarray, np.ndarray]:
    """Early and late gains of the honest placement."""
    found = synthetic.gains(HONEST)
    return np.array(found.early), np.array(found.late)


def at_the_drier_limit(spots: list[Spot], db: float) -> list[Spot]:
    """Every layer with so much less late energy than at its start, at one loudness."""
    found = []
    for spot, start in zip(spots, START, strict=True):
        late = 10 ** (-db / 10) / (1.0 + 10 ** (start.clarity_db / 10))
        found.append(replace(spot, clarity_db=float(10 * np.log10((1.0 - late) / late))))
    return found


@pytest.mark.parametrize("last_db", [-20.0, -6.0, -2.0])
def test_one_pad_cannot_carry_the_room_of_all(last_db: float) -> None:
    """All layers as dry as each may be and one pad far: the whole has lost its room."""
    spots = synthetic.with_spot(at_the_drier_limit(HONEST, 5.8), CHOIR, clarity_db=last_db)
    cost = cost_of(spots)
    assert cost.violations["drier"] < 0.1
    assert cost.violations["late"] > 0.1
    assert cost.total > GOOD.total


@pytest.mark.parametrize("layer", range(8))
def test_one_layer_in_one_loudspeaker(layer: int) -> None:
    """Nothing is left of a layer in the other loudspeaker: no place in a picture any more."""
    one_sided = synthetic.with_spot(HONEST, layer, pan=1.0, clarity_db=17.0)
    cost = cost_of(one_sided)
    assert cost.violations["side"] > 0.5
    assert cost.total > GOOD.total
    within = cost_of(synthetic.with_spot(HONEST, layer, pan=0.6))
    assert within.violations["side"] == 0.0


@pytest.mark.parametrize("layer", range(8))
def test_the_room_of_one_layer_in_one_loudspeaker(layer: int) -> None:
    """Late sound of a layer on the side of its rival's direct sound does not count as room."""
    early, late = honest()
    side = 1 if HONEST[layer].pan > 0.0 else 0
    late[layer, side] *= 1.98
    late[layer, 1 - side] *= 0.02
    cost = with_gains(early, late)
    assert cost.violations["room side"] > 1.0
    assert cost.total > GOOD.total


@pytest.mark.parametrize("db", [3.0, 10.0])
def test_early_reflections_taken_out(db: float) -> None:
    """More direct sound over the same late energy is more loudness; at one loudness it is drier."""
    early, late = honest()
    more = 10 ** (db / 10)
    raised = with_gains(more * early, late)
    assert raised.violations["trim"] > 0.1
    assert raised.total > GOOD.total
    whole = (early + late)[:, :2].sum(1, keepdims=True)
    back = whole / (more * early + late)[:, :2].sum(1, keepdims=True)
    equal = with_gains(more * early * back, late * back)
    assert equal.violations["trim"] < 0.1
    assert equal.violations["late"] > 0.1
    assert equal.total > GOOD.total


@pytest.mark.parametrize(("swing", "least"), [(0.3, -0.001), (0.6, 0.0), (0.9, 0.0)])
def test_combs_that_fit_into_one_another(swing: float, least: float) -> None:
    """Rivals with peaks and notches in alternate bands, a comb each, gain next to nothing."""

    def combed(gains: np.ndarray, hertz: np.ndarray) -> None:
        ripple = 1.0 + swing * (-1.0) ** np.arange(len(hertz))
        for one, other in RIVALS:
            gains[one] *= ripple
            gains[other] *= 2.0 - ripple

    assert in_bands(HONEST, combed).total > GOOD.total + least


def test_one_comb_robs_the_lows() -> None:
    """A comb in the low bed alone, loud enough to open holes for its rival, breaks the lows."""

    def combed(gains: np.ndarray, hertz: np.ndarray) -> None:
        gains[1] *= 1.0 + 0.9 * (-1.0) ** np.arange(len(hertz))

    cost = in_bands(HONEST, combed)
    assert cost.total > GOOD.total
    assert not cost.feasible


def lows(change: Callable[[np.ndarray], None]) -> Cost:
    """Cost of the honest placement with its covariances (T, 4, band) below 250 Hz changed."""

    def below(gains: np.ndarray, hertz: np.ndarray) -> None:
        part = gains[:, :, hertz < 250.0]
        change(part)
        gains[:, :, hertz < 250.0] = part

    return in_bands(HONEST, below)


def test_lows_in_mono() -> None:
    """The lows of all layers in both channels alike lose what stood apart."""

    def folded(part: np.ndarray) -> None:
        part[:, :3] = (0.5 * (part[:, 0] + part[:, 1]))[:, None]
        part[:, 3] = 0.0

    cost = lows(folded)
    assert cost.total > GOOD.total
    assert cost.terms["audibility"] > GOOD.terms["audibility"]


@pytest.mark.parametrize("share", [-0.3, -0.6, -0.95])
def test_lows_spread_by_turned_phase(share: float) -> None:
    """Lows that partly cancel in mono may unmask, and cost more than they gain."""

    def spread(part: np.ndarray) -> None:
        part[:, 2] = share * np.sqrt(part[:, 0] * part[:, 1])
        part[:, 3] = 0.0

    assert lows(spread).total > GOOD.total


@pytest.mark.parametrize("track", range(len(HONEST)))
def test_a_layer_given_up_to_free_the_others(track: int) -> None:
    """Where a layer goes far behind another and a sixth of it is lost, the others do not repay it.

    They repay it at most to a thousandth, which nobody hears.
    """
    before, lost = GOOD.figures["audible_share"][track], []
    for other in set(range(len(HONEST))) - {track}:
        for clarity_db in (-8.0, -3.0):
            spots = synthetic.with_spot(HONEST, track, pan=HONEST[other].pan, clarity_db=clarity_db)
            cost = cost_of(spots)
            if cost.figures["audible_share"][track] < before * 5 / 6:
                lost.append(cost.total)
    assert lost or track in (CHOIR, 2)  # a pad loses nothing by being far, the horns a tenth
    assert not lost or min(lost) > GOOD.total - 0.001


@pytest.mark.parametrize("cut_db", [3.0, 6.0, 10.0])
def test_room_in_the_lows_alone(cut_db: float) -> None:
    """Late energy taken from above 400 Hz and given to the lows, the sum held, gains nothing."""
    early, late = honest()
    power, high = MUSIC.sources.power, ERB_CENTRES > 400.0
    moved = late.copy()
    moved[:, :, high] *= 10 ** (-cut_db / 10)
    lost = ((late - moved)[:, :2].sum(1) * power).sum()
    moved[:, :, ~high] *= 1.0 + lost / (moved[:, :2].sum(1) * power)[:, ~high].sum()
    rest = early[:, :2].sum(1) + (late - moved)[:, :2].sum(1)
    kept = early * np.maximum(rest / early[:, :2].sum(1), 0.05)[:, None]
    assert with_gains(kept, moved).total > GOOD.total


@pytest.mark.parametrize("db", [1.5, 3.0])
def test_trim_within_its_limit_is_no_licence(db: float) -> None:
    """With a trim of so many dB allowed, a single rival turned down by more is refused."""
    music = replace(MUSIC, limits=replace(MUSIC.limits, trim_db=db))
    within, beyond = (
        music.cost(synthetic.with_spot(HONEST, 7, gain_db=-gain)) for gain in (db, db + 2.0)
    )
    assert within.violations["trim"] == 0.0
    assert beyond.violations["trim"] > 0.9
    assert beyond.total > GOOD.total + 0.5


@pytest.mark.parametrize("lent_db", [4.0, 6.0])
def test_lows_lent_between_layers(lent_db: float) -> None:
    """One layer's notes filtered away, another's raised to fill the gap: the mix is as it was.

    Nothing that is held of the whole sees it, so that each layer's own lows are held too.
    """
    low = [1, 7]  # bed, timpani
    power, thirds = MUSIC.sources.power[low], MUSIC.sources.third_power[low]

    def lend(gains: np.ndarray, hertz: np.ndarray) -> None:
        below, energy = hertz < 160.0, thirds if len(hertz) == len(LOW_THIRDS) else power
        kept = 10 ** (-lent_db / 10)
        gone = (1.0 - kept) * gains[low[0], :2].sum(0) * energy[0]
        more = 1.0 + gone / np.maximum(gains[low[1], :2].sum(0) * energy[1], 1e-12)
        gains[low[0], :, below] *= kept
        gains[low[1], :, below] *= more[below, None]

    cost = in_bands(HONEST, lend)
    assert cost.violations["layer lows"] > 0.5
    assert cost.total > GOOD.total


# The second edition's cheats: place only, shares of the room, heads, the background.


@pytest.mark.parametrize("layer", range(8))
def test_a_comb_in_one_layer(layer: int) -> None:
    """Peaks and notches in alternate bands gain no audibility at all and break limits."""

    def combed(gains: np.ndarray, hertz: np.ndarray) -> None:
        gains[layer] *= 1.0 + 0.8 * (-1.0) ** np.arange(len(hertz))

    cost = in_bands(HONEST, combed)
    np.testing.assert_allclose(
        cost.figures["audible_share"], GOOD.figures["audible_share"], atol=1e-9
    )
    assert cost.total > GOOD.total
    assert sum(cost.violations[name] for name in ("tone mean", "tone most", "layer lows")) > 1.0


def test_a_brighter_layer_is_heard_no_better() -> None:
    """What a tilt of 3 dB an octave would win through the others is not there to be won."""

    def tilted(gains: np.ndarray, hertz: np.ndarray) -> None:
        gains[5] *= (hertz / 700.0)[None]

    cost = in_bands(HONEST, tilted)
    np.testing.assert_allclose(
        cost.figures["audible_share"], GOOD.figures["audible_share"], atol=1e-9
    )
    assert cost.violations["tone mean"] > 0.3
    assert cost.total > GOOD.total


@pytest.mark.parametrize("layer", [1, 2, 6])
def test_one_layer_carries_the_room(layer: int) -> None:
    """The others as dry as each may be, the one so far that the room of the mix is as it was."""
    base, found = at_the_drier_limit(HONEST, 2.0), []
    for clarity_db in np.arange(-20.0, 4.0, 1.0):
        cost = cost_of(synthetic.with_spot(base, layer, clarity_db=float(clarity_db)))
        found.append((abs(cost.figures["whole_late_change_db"]), cost))
    cost = min(found, key=lambda pair: pair[0])[1]
    assert cost.violations["room share"] > 0.5
    assert cost.total > GOOD.total
    assert GOOD.violations["room share"] == 0.0


@pytest.mark.parametrize("layer", [0, 2, 5, 7])
def test_one_position_of_the_head(layer: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Antiphase that frees a layer between the loudspeakers frees it less where a head may be.

    At the centre the rivals cancel and the layer does not; over three positions at most six tenths
    of that is left, and the fold-down forbids it besides.
    """
    cheat, gained = synthetic.with_spot(HONEST, layer, pan=0.0, turn=np.pi), []
    for heads in (3, 1):
        monkeypatch.setattr(audibility, "head_maps", lambda hz, n=heads: head_maps(hz)[:n])
        music = replace(MUSIC, listening=(0.0, 1.0))
        good, cost = music.cost(HONEST), music.cost(cheat)
        gained.append(good.terms["audibility"] - cost.terms["audibility"])
        assert cost.total > good.total + 0.5
    assert gained[0] < max(0.6 * gained[1], 0.0)


def in_front(front: tuple[int, ...]) -> Music:
    """The same music with some layers in the foreground and the others behind them."""
    layers = [replace(layer, foreground=i in front) for i, layer in enumerate(LAYERS)]
    return replace(MUSIC, layers=layers)


@pytest.mark.parametrize("behind", [1, 2, 3, 5, 7])
def test_a_layer_of_the_background_given_up(behind: int) -> None:
    """Far behind a rival and a sixth of it lost, it costs more than the foreground gains."""
    music = in_front((0, 4))
    good, lost = music.cost(START), []
    for other in set(range(len(LAYERS))) - {behind}:
        spots = synthetic.with_spot(START, behind, pan=START[other].pan, clarity_db=-8.0)
        cost = music.cost(spots)
        if (cost.figures["margin_db"] - good.figures["margin_db"])[behind] < -0.6:
            lost.append(cost.terms["audibility"])
    assert lost or behind in (1, 2)  # pads and horns serve by their late sound too
    assert not lost or min(lost) > good.terms["audibility"]


def test_the_whole_background_given_up() -> None:
    """All that is not foreground goes far and to one side: what that frees is paid for dearly."""
    music = in_front((0, 4))
    spots = [
        spot if i in (0, 4) else replace(spot, clarity_db=-6.0, pan=0.8)
        for i, spot in enumerate(START)
    ]
    good, cost = music.cost(START), music.cost(spots)
    gained = cost.figures["audible_share"] - good.figures["audible_share"]
    assert gained[0] > 0.005
    assert cost.terms["audibility"] > good.terms["audibility"] + 0.2
    free = replace(music, limits=Limits(background_db=99.0)).cost(spots)
    assert free.terms["audibility"] < cost.terms["audibility"] - 0.2


@pytest.mark.parametrize("layer", [0, 2, 5])
def test_balance_that_holds_in_the_passage_alone(layer: int) -> None:
    """Two layers on opposite sides balance in the passage; one plays on where the other rests."""
    spots = list(START)
    spots[layer], spots[layer + 1] = (
        replace(spots[layer], pan=0.5), replace(spots[layer + 1], pan=-0.5),
    )  # fmt: skip
    layers = list(LAYERS)
    layers[layer] = replace(layers[layer], elsewhere=(40.0, 40.0))
    plays_on = replace(MUSIC, layers=layers)
    calm, leans = MUSIC.cost(spots), plays_on.cost(spots)
    assert calm.violations["file balance"] == calm.violations["balance"]
    assert leans.violations["balance"] == calm.violations["balance"]
    assert leans.violations["file balance"] + leans.violations["file low balance"] > 0.5
    assert leans.total > calm.total + 0.5
