"""Synthetic layers for tests of the cost: invented music, closed-form rooms, no audio.

A layer has a spectrum, a rhythm and a place; a place is a pan (-1 to 1), an early level and a late
level. Late sound is decorrelated between the channels; early sound is an amplitude-panned pair.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from placer.cost.objective import expand
from placer.cost.prepare import importance
from placer.cost.scene import Envelopes, Limits, Scene, Sounding, Weights
from sim.bands import ERB_CENTRES, LOW_THIRDS, erb_number

FloatArray = np.ndarray
BANDS = len(ERB_CENTRES)


@dataclass(frozen=True)
class Layer:
    """One invented layer: energy from `low` to `high` Hz, `rate` notes a second (0: held)."""

    name: str
    low: float
    high: float
    rate: float = 0.0
    articulation: float = 0.0
    level_db: float = 0.0
    weight: float = 1.0
    group: int = -1
    phase: float = 0.0


@dataclass(frozen=True)
class Spot:
    """Where a layer is heard: pan -1..1, early against late dB, extra gain dB, phase of R."""

    pan: float = 0.0
    clarity_db: float = 3.0
    gain_db: float = 0.0
    turn: float = 0.0
    coherence: float = 1.0
    seating: float = 0.0


def envelopes(layers: list[Layer], frames: int, seed: int = 0) -> Envelopes:
    """Source energies of layers."""
    rng = np.random.default_rng(seed)
    number = erb_number(ERB_CENTRES)
    early, late, power, thirds = [], [], [], []
    for layer in layers:
        low, high = erb_number(layer.low), erb_number(layer.high)
        shape = 1.0 / (1.0 + np.exp(-2.5 * (number - low))) / (1.0 + np.exp(1.2 * (number - high)))
        shape *= 10 ** (layer.level_db / 10) / shape.sum()
        time = np.ones(frames)
        if layer.rate > 0.0:
            beat = (np.arange(frames) * 0.0427 * layer.rate + layer.phase) % 1.0
            time = np.exp(-6.0 * beat)
        time = time * np.exp(0.3 * rng.standard_normal(frames))
        time /= time.mean()
        room = np.convolve(time, 0.8 ** np.arange(40) * 0.2)[:frames]
        room = np.maximum(room, 1e-6)
        early.append(shape[:, None] * time * np.exp(0.3 * rng.standard_normal((BANDS, frames))))
        late.append(shape[:, None] * room)
        power.append(shape)
        thirds.append(np.interp(LOW_THIRDS, ERB_CENTRES, shape))
    return Envelopes(
        early=np.array(early),
        late=np.array(late),
        frame_weight=np.full(frames, 1.0 / frames),
        power=np.array(power),
        third_power=np.array(thirds),
    )


def gains(spots: list[Spot]) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Early, late and thirds gains and seating of layers; early and late energy sum to the gain."""
    early, late, thirds, seating = [], [], [], []
    for spot in spots:
        ratio = 10 ** (spot.clarity_db / 10)
        total = 10 ** (spot.gain_db / 10)
        near, far = total * ratio / (1 + ratio), total / (1 + ratio)
        angle = (spot.pan + 1.0) * np.pi / 4.0
        left, right = np.cos(angle), np.sin(angle)
        cross = spot.coherence * left * right * np.exp(1j * spot.turn)
        direct = near * np.array([left**2, right**2, cross.real, cross.imag])
        room = far * np.array([0.5, 0.5, 0.0, 0.0])
        early.append(np.repeat(direct[:, None], BANDS, 1))
        late.append(np.repeat(room[:, None], BANDS, 1))
        thirds.append(np.repeat((direct + room)[:, None], len(LOW_THIRDS), 1))
        seating.append(spot.seating)
    return np.array(early), np.array(late), np.array(thirds), np.array(seating)


def sounding(env: Envelopes, spots: list[Spot]) -> Sounding:
    """What layers sound like at their spots."""
    early, late, thirds, seating = gains(spots)
    return expand(env, early, late, thirds_gain=thirds, seating=seating)


def scene(
    layers: list[Layer],
    env: Envelopes,
    spots: list[Spot],
    *,
    weights: Weights | None = None,
    limits: Limits | None = None,
    listening: tuple[float, float] = (0.5, 0.5),
    movable: list[bool] | None = None,
) -> Scene:
    """Scene whose reference has the layers at these spots."""
    start = sounding(env, spots)
    articulation = np.array([layer.articulation for layer in layers])
    return Scene(
        names=tuple(layer.name for layer in layers),
        articulation=articulation,
        weight=np.array([layer.weight for layer in layers]),
        group=np.array([layer.group for layer in layers]),
        movable=np.array(movable or [True] * len(layers)),
        centres=ERB_CENTRES,
        importance=importance(start.early, start.late, articulation),
        reference=start.totals,
        listening=listening,
        weights=weights or Weights(),
        limits=limits or Limits(),
    )


def dense(count: int, seed: int = 0) -> list[Layer]:
    """A dense invented cue of `count` layers, a third of them in the lows."""
    rng = np.random.default_rng(seed)
    found = []
    for index in range(count):
        low = 40.0 * 2.0 ** rng.uniform(0.0, 1.5 if index % 3 == 0 else 5.0)
        moving = rng.random() < 0.5
        layer = Layer(
            name=f"layer {index}",
            low=low,
            high=low * 2.0 ** rng.uniform(1.5, 4.0),
            rate=rng.uniform(2.0, 7.0) if moving else 0.0,
            articulation=0.8 if moving else 0.1,
            level_db=rng.uniform(-6.0, 3.0),
            phase=rng.random(),
        )
        found.append(layer)
    return found


def random_spots(count: int, seed: int = 0) -> list[Spot]:
    """Places anywhere."""
    rng = np.random.default_rng(seed)
    return [
        Spot(
            pan=rng.uniform(-0.9, 0.9),
            clarity_db=rng.uniform(-4.0, 9.0),
            coherence=rng.uniform(0.5, 1.0),
            turn=rng.uniform(-1.0, 1.0),
            seating=rng.uniform(0.0, 4.0),
        )
        for _ in range(count)
    ]


def with_spot(spots: list[Spot], index: int, **changes: float) -> list[Spot]:
    """The same places with one of them changed."""
    return [replace(s, **changes) if i == index else s for i, s in enumerate(spots)]
