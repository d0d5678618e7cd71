"""Attempts to win by cheating: none may beat an honest, good placement of an invented dense cue."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from placer.cost.audibility import audibility
from placer.cost.fast import Kernel
from placer.cost.landscape import landscape_of
from placer.cost.objective import Cost, evaluate
from placer.cost.scene import Limits, Sounding
from placer.cue.records import Weights
from tests.placer import synthetic
from tests.placer.synthetic import Layer, Music, Spot

LAYERS = [
    Layer("low ostinato", 55, 350, rate=5.0, articulation=0.9),
    Layer("low bed", 50, 400, articulation=0.1, level_db=2.0, weight=0.8),
    Layer("horns", 110, 900, articulation=0.3),
    Layer("trombones", 90, 1200, rate=1.5, articulation=0.6),
    Layer("violins", 400, 5000, articulation=0.6, weight=1.3),
    Layer("violas", 200, 2500, rate=6.0, articulation=0.9, level_db=-2.0),
    Layer("choir", 250, 2500, articulation=0.0, weight=0.6),
    Layer("timpani", 45, 250, rate=1.2, articulation=1.0),
]
START = [
    Spot(pan=pan, clarity_db=clarity)
    for pan, clarity in (
        (0.35, 3), (0.35, 3), (-0.2, 2), (0.2, 2), (-0.35, 4), (0.15, 3), (0.0, 1), (0.0, 2),
    )
]  # fmt: skip
HONEST = [
    Spot(pan=pan, clarity_db=clarity, seating=1.0)
    for pan, clarity in (
        (0.75, 7), (-0.6, 0), (-0.5, 1), (0.5, 4), (-0.6, 6), (0.45, 6), (0.0, -2), (-0.1, 3),
    )
]  # fmt: skip
"""By hand: rivals to opposite flanks, figures close, bed and choir far; room, lows, sides held."""

MUSIC = Music(LAYERS, START, frames=64)
SCENE, COMPARED = MUSIC.scene, MUSIC.compared
EVERY = range(len(LAYERS))


def cost_of(spots: list[Spot]) -> Cost:
    """Cost of a placement of the invented cue."""
    return MUSIC.cost(spots)


def all_with(base: list[Spot], **changes: float) -> list[Spot]:
    """Every layer changed alike."""
    return [replace(spot, **changes) for spot in base]


GOOD = cost_of(HONEST)


def test_the_honest_placement_is_honest_and_good() -> None:
    """It holds every limit and is clearly better than the reference."""
    assert GOOD.feasible
    assert GOOD.total < cost_of(START).total - 0.035
    share = GOOD.figures["audible_share"]
    assert share.mean() > cost_of(START).figures["audible_share"].mean()


def louder(db: float) -> Callable[[list[Spot], int], list[Spot]]:
    """One track turned up."""
    return lambda base, track: synthetic.with_spot(base, track, gain_db=db)


@pytest.mark.parametrize("track", EVERY)
@pytest.mark.parametrize("db", [2.0, 4.0, 10.0, -3.0, -10.0, -60.0])
def test_louder_or_softer_track(track: int, db: float) -> None:
    """Turning one layer up, or a rival down or off, never pays, from either start."""
    for base in (START, HONEST):
        assert cost_of(louder(db)(base, track)).total > GOOD.total


CHEATS = {
    "thinner: every second layer off": [
        replace(spot, gain_db=-60.0 * (i % 2)) for i, spot in enumerate(HONEST)
    ],
    "thinner: all but the melody 6 dB down": [
        replace(spot, gain_db=0.0 if i == 4 else -6.0) for i, spot in enumerate(HONEST)
    ],
    "drier: all by 6 dB": [replace(s, clarity_db=s.clarity_db + 6.5) for s in HONEST],
    "drier: all by 15 dB": [replace(s, clarity_db=s.clarity_db + 15.0) for s in HONEST],
    "dry but for one far layer": [
        replace(s, clarity_db=-20.0 if i == 6 else 12.0) for i, s in enumerate(HONEST)
    ],
    "hard-panned by turns": [
        replace(s, pan=1.0 if i % 2 else -1.0) for i, s in enumerate(START)
    ],
    "hard-panned and dry": [
        replace(s, pan=1.0 if i % 2 else -1.0, clarity_db=20.0) for i, s in enumerate(START)
    ],
    "all far": all_with(START, clarity_db=-8.0, coherence=0.3, seating=8.0),
    "all far, well apart": [
        replace(spot, pan=2.0 * i / 7.0 - 1.0, clarity_db=-8.0) for i, spot in enumerate(HONEST)
    ],
    "far and wide, no coherence": all_with(HONEST, clarity_db=-3.0, coherence=0.0),
    "one ear only": all_with(HONEST, pan=-1.0),
    "one side, half the layers": [
        replace(s, pan=-1.0 if i < 4 else s.pan) for i, s in enumerate(HONEST)
    ],
    "phase of one channel inverted, all": all_with(HONEST, pan=0.0, turn=np.pi),
    "phase inverted, every second layer": [
        replace(s, pan=0.0, turn=np.pi * (i % 2)) for i, s in enumerate(HONEST)
    ],
    "phase inverted, the hidden layers": [
        replace(s, pan=0.0, turn=np.pi) if i in (0, 7) else s for i, s in enumerate(HONEST)
    ],
    "phase inverted, one hidden layer": [
        replace(s, pan=0.1, turn=np.pi) if i == 7 else s for i, s in enumerate(HONEST)
    ],
    "seats exchanged with the hall": all_with(HONEST, seating=20.0),
}  # fmt: skip


@pytest.mark.parametrize("name", CHEATS)
def test_cheats(name: str) -> None:
    """None of these beats the honest placement."""
    assert cost_of(CHEATS[name]).total > GOOD.total


def in_bands(
    spots: list[Spot], change: Callable[[np.ndarray, np.ndarray], None], seating: float = 0.0
) -> Cost:
    """Cost of a placement whose gains (T, 4, band) are changed in place, given their Hz."""
    moved = [replace(spot, seating=spot.seating + seating) for spot in spots]
    return MUSIC.cost(moved, synthetic.gains(moved).changed(change))


def test_lows_taken_out() -> None:
    """Removing the lows, of all or of the bed alone, loses: the weight of the lows is held."""

    def all_lows(gains: np.ndarray, hertz: np.ndarray) -> None:
        gains[:, :, hertz < 120.0] *= 10**-1.0

    def bed_lows(gains: np.ndarray, hertz: np.ndarray) -> None:
        gains[1, :, hertz < 120.0] *= 10**-1.0

    assert in_bands(HONEST, all_lows).total > GOOD.total
    assert in_bands(HONEST, bed_lows).total > GOOD.total


def test_lows_cancelled_between_the_channels() -> None:
    """Turning the phase of the lows of one channel loses, for all layers or for a hidden one."""

    def turned(gains: np.ndarray, hertz: np.ndarray) -> None:
        gains[:, 2:, hertz < 250.0] *= -1.0

    def one_turned(gains: np.ndarray, hertz: np.ndarray) -> None:
        gains[7, 2:, hertz < 250.0] *= -1.0

    centred = all_with(HONEST, pan=0.0)
    assert in_bands(centred, turned).total > GOOD.total
    assert in_bands(synthetic.with_spot(HONEST, 7, pan=0.0), one_turned).total > GOOD.total


def test_silence_in_one_channel() -> None:
    """Switching the right channel off, at the same total energy, loses."""

    def silent(gains: np.ndarray, _hertz: np.ndarray) -> None:
        gains[:, 0] += gains[:, 1]
        gains[:, 1:] = 0.0

    assert in_bands(HONEST, silent).total > GOOD.total


def test_seat_at_a_wall() -> None:
    """A wall that lifts the lows by 4 dB, metres from the seat, loses."""

    def wall(gains: np.ndarray, hertz: np.ndarray) -> None:
        gains[:2, :, hertz < 100.0] *= 10**0.4

    assert in_bands(HONEST, wall, seating=5.0).total > GOOD.total


def test_missing_the_loudness_target_costs() -> None:
    """A mix whose peaks keep it 2 LU under its target is worse than the same mix without them."""
    sound = MUSIC.sounding(HONEST)
    lufs, peak, wanted = SCENE.loudness
    spare = (lufs - peak) - wanted
    short = replace(SCENE, loudness=(lufs - spare - 2.0, peak, wanted))
    assert evaluate(short, sound, COMPARED).total > GOOD.total


def noisy(spots: list[Spot], seed: int) -> Sounding:
    """Sound as rendered audio has it: the covariance of every cell fluctuates as noise does."""
    rng = np.random.default_rng(seed)
    sound = MUSIC.sounding(spots)

    def rendered(covariance: np.ndarray) -> np.ndarray:
        ll, rr, re, im = (covariance[:, c] for c in range(4))
        shape = (2, 6, *ll.shape)
        a, b = rng.normal(size=shape), rng.normal(size=shape)
        white, other = (a[0] + 1j * a[1]) / np.sqrt(2), (b[0] + 1j * b[1]) / np.sqrt(2)
        left = np.sqrt(ll) * white
        tie = (re - 1j * im) / np.sqrt(np.maximum(ll, 1e-30))
        right = tie * white + np.sqrt(np.maximum(rr - np.abs(tie) ** 2, 0.0)) * other
        cross = (left * np.conj(right)).mean(0)
        power = [(np.abs(x) ** 2).mean(0) for x in (left, right)]
        return np.stack([*power, cross.real, cross.imag], axis=1)

    return replace(sound, early=rendered(sound.early), late=rendered(sound.late))


def test_decorrelating_room_does_not_look_like_separation() -> None:
    """Everything in one far seat is heard no better than everything dry in one spot.

    Per cell, the better ear of two decorrelated ones always wins something; per band over time it
    must not. Audibility alone is compared, without limits, for layers of a pad's role too.
    """
    for articulation in (1.0, 0.0):
        layers = [replace(layer, articulation=articulation) for layer in LAYERS]
        scene = Music(layers, START, frames=64).scene
        dry = noisy([Spot(pan=0.0, clarity_db=20.0)] * 8, seed=0)
        far = noisy([Spot(pan=0.0, clarity_db=-8.0, coherence=0.0)] * 8, seed=1)
        near_share = audibility(scene, dry.early, dry.late).share
        far_share = audibility(scene, far.early, far.late).share
        assert far_share.mean() < near_share.mean() + 0.01
        if articulation == 1.0:
            assert far_share.mean() < near_share.mean() - 0.05


def test_wash_costs_articulate_roles_even_when_well_apart() -> None:
    """Apart and wet is worse than apart and clear, by audibility and definition alone."""
    weights = Weights(overlap=0.0, mono=0.0, seating=0.0, low_weight=0.0, balance=0.0)
    loose = Limits(drier_db=99.0, late_db=99.0, low_db=99.0, balance_db=99.0, trim_db=99.0)
    music = Music(LAYERS, START, frames=64, weights=weights, limits=loose)
    wet = music.cost(all_with(HONEST, clarity_db=-8.0))
    clear = music.cost(all_with(HONEST, clarity_db=5.0))
    assert wet.total > clear.total + 0.05


def test_only_the_room_floor_keeps_the_room() -> None:
    """Without limits, drying everything would win; with them it cannot."""
    dry = CHEATS["drier: all by 15 dB"]
    loose = Limits(drier_db=99.0, late_db=99.0, low_db=99.0, balance_db=99.0, trim_db=99.0)
    free = Music(LAYERS, START, frames=64, limits=loose).cost(dry)
    assert free.total < GOOD.total
    assert cost_of(dry).total > GOOD.total + 1.0


def best_of(layers: list[Layer], spots: list[Spot]) -> tuple[list[Spot], float, float]:
    """Best placement over a catalogue of 120 random spots a track; its cost, the reference's."""
    music = Music(layers, spots, frames=64)
    choices = []
    for track, spot in enumerate(spots):
        rng = np.random.default_rng(track)
        others = [
            Spot(rng.uniform(-0.95, 0.95), rng.uniform(-5.0, 12.0), seating=rng.uniform(0.0, 4.0))
            for _ in range(119)
        ]
        choices.append([spot, *others])
    catalogues = [music.catalogue(track, options) for track, options in enumerate(choices)]
    landscape = landscape_of(Kernel(music.scene, music.envelopes, threads=1), catalogues)
    state = np.zeros(len(layers), int)
    start = cost = landscape.cost(state)
    improved = True
    while improved:
        improved = False
        for track in range(len(layers)):
            likely = landscape.screen(state, track, np.arange(120)).argsort()[:6]
            moved = np.repeat(state[None], 6, 0)
            moved[:, track] = likely
            found = landscape.costs(moved)
            if found.min() < cost - 1e-9:
                cost, state, improved = found.min(), moved[found.argmin()], True
    return [choices[t][option] for t, option in enumerate(state)], cost, start


def test_a_search_beats_the_hand_and_holds_every_limit() -> None:
    """What a greedy search finds is feasible and at least as good as the placement by hand."""
    spots, cost, _ = best_of(LAYERS, START)
    assert cost_of(spots).feasible
    assert cost < GOOD.total


def test_do_no_harm() -> None:
    """In a sparse cue that needs nothing, the best placement gains little and stays near."""
    layers = [
        Layer("basses", 45, 120, articulation=0.2),
        Layer("clarinet", 500, 1200, articulation=0.5),
        Layer("piccolo", 3000, 9000, articulation=0.5),
    ]
    spots = [Spot(0.4, 4.0), Spot(0.0, 5.0), Spot(-0.3, 5.0)]
    best, cost, start = best_of(layers, spots)
    assert start - cost < 0.02
    for new, old in zip(best, spots, strict=True):
        assert abs(new.clarity_db - old.clarity_db) < 4.0
        assert new.seating < 1.5
