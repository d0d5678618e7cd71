"""Synthetic layers for tests of the cost: invented music, closed-form rooms, no audio.

A layer has a spectrum, a rhythm and a place; a place is a pan (-1 to 1), an early level and a late
level. Late sound is decorrelated between the channels; early sound is an amplitude-panned pair. Its
time templates are its dry rhythm and the same smeared by a room. A `Music` is layers, how they
sound at the reference's places, and what the cost needs to know of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from placer.cost.fast import Catalogue
from placer.cost.objective import Cost, Reference, evaluate, reference
from placer.cost.objective import sounding as sounding_of
from placer.cost.place_only import band_energy, place_only
from placer.cost.prepare import importance
from placer.cost.scene import Envelopes, Limits, Scene, Sounding, Totals
from placer.cue.records import Weights
from sim.bands import ERB_CENTRES, LOW_THIRDS, erb_number

FloatArray = np.ndarray
BANDS = len(ERB_CENTRES)
LOUDNESS = (-20.0, -4.0, -17.0)
"""Reference LUFS and dBTP, LUFS wanted less dBTP allowed: 1 LU to spare."""


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
    foreground: bool = True
    movable: bool = True
    elsewhere: tuple[float, float] = (1.0, 1.0)


@dataclass(frozen=True)
class Spot:
    """Where a layer is heard: pan -1..1, early against late dB, extra gain dB, phase of R.

    `direct` is the part of the early energy within 6 ms; `smear` the part of either energy that
    moves in time as the other does, `room` the late energy's parts: left, right, Re and Im.
    """

    pan: float = 0.0
    clarity_db: float = 3.0
    gain_db: float = 0.0
    turn: float = 0.0
    coherence: float = 1.0
    seating: float = 0.0
    direct: float = 0.7
    smear: float = 0.0
    effort: float = 0.0
    room: tuple[float, float, float, float] = (0.5, 0.5, 0.0, 0.0)


@dataclass(frozen=True)
class Sources:
    """Templates (T, B, 2, F) of unit mean a band, plain power (T, B) and third power (T, 11)."""

    templates: FloatArray
    power: FloatArray
    third_power: FloatArray


def sources(layers: Sequence[Layer], frames: int, seed: int = 0) -> Sources:
    """Source energies of layers."""
    rng = np.random.default_rng(seed)
    number = erb_number(ERB_CENTRES)
    templates, power, thirds = [], [], []
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
        dry = time * np.exp(0.3 * rng.standard_normal((BANDS, frames)))
        templates.append(np.stack([dry, np.broadcast_to(room, dry.shape)], 1))
        power.append(shape)
        thirds.append(np.interp(LOW_THIRDS, ERB_CENTRES, shape))
    return Sources(np.array(templates), np.array(power), np.array(thirds))


@dataclass(frozen=True)
class Gains:
    """Energies (n, 4, B) and thirds (n, 4, 11) of places per unit source energy."""

    early: FloatArray
    late: FloatArray
    direct: FloatArray
    thirds: FloatArray

    def changed(self, change: Callable[[FloatArray, FloatArray], None]) -> Gains:
        """The same with every array changed in place, given its Hz."""
        parts = [np.array(part) for part in (self.early, self.late, self.direct, self.thirds)]
        for part in parts:
            change(part, LOW_THIRDS if part.shape[-1] == len(LOW_THIRDS) else ERB_CENTRES)
        return Gains(*parts)


def gains(spots: Sequence[Spot]) -> Gains:
    """Gains of places; early and late energy sum to the gain."""
    early, late, first = [], [], []
    for spot in spots:
        ratio = 10 ** (spot.clarity_db / 10)
        total = 10 ** (spot.gain_db / 10)
        near, far = total * ratio / (1 + ratio), total / (1 + ratio)
        angle = (spot.pan + 1.0) * np.pi / 4.0
        left, right = np.cos(angle), np.sin(angle)
        cross = spot.coherence * left * right * np.exp(1j * spot.turn)
        direct = near * np.array([left**2, right**2, cross.real, cross.imag])
        early.append(np.repeat(direct[:, None], BANDS, 1))
        late.append(np.repeat(far * np.array(spot.room)[:, None], BANDS, 1))
        first.append(spot.direct * early[-1])
    parts = [np.array(part) for part in (early, late, first)]
    return Gains(*parts, np.repeat((parts[0] + parts[1])[:, :, :1], len(LOW_THIRDS), 2))


@dataclass(frozen=True)
class Music:
    """Layers over frames, and the places of the reference."""

    layers: Sequence[Layer]
    start: Sequence[Spot]
    frames: int = 48
    weights: Weights = field(default_factory=Weights)
    limits: Limits = field(default_factory=Limits)
    listening: tuple[float, float] = (0.5, 0.5)
    silent: int = -1
    seed: int = 0

    @cached_property
    def sources(self) -> Sources:
        """What the layers play."""
        found = sources(self.layers, self.frames, self.seed)
        if self.silent >= 0:
            for part in (found.templates, found.power, found.third_power):
                part[self.silent] = 0.0
        return found

    @cached_property
    def envelopes(self) -> Envelopes:
        """Templates with the coefficients of the reference."""
        early, late = self.coefficients(gains(self.start), self.start)
        return Envelopes(self.sources.templates, early, late)

    @cached_property
    def scene(self) -> Scene:
        """What the cost needs to know."""
        articulation = np.array([layer.articulation for layer in self.layers])
        envelopes = self.envelopes
        first, second = (
            np.einsum("tcbk,tbkf->tcbf", part, envelopes.templates)
            for part in (envelopes.early, envelopes.late)
        )
        return Scene(
            names=tuple(layer.name for layer in self.layers),
            articulation=articulation,
            weight=np.array([layer.weight for layer in self.layers]),
            group=np.array([layer.group for layer in self.layers]),
            movable=np.array([layer.movable for layer in self.layers]),
            foreground=np.array([layer.foreground for layer in self.layers]),
            centres=ERB_CENTRES,
            importance=importance(first, second, articulation),
            reference=self.totals(gains(self.start)),
            elsewhere=np.array([layer.elsewhere for layer in self.layers]),
            loudness=LOUDNESS,
            listening=self.listening,
            weights=self.weights,
            limits=self.limits,
        )

    @cached_property
    def compared(self) -> Reference:
        """The reference."""
        return reference(self.scene, self.sounding(self.start))

    def coefficients(
        self, found: Gains, spots: Sequence[Spot], tracks: Any = slice(None)
    ) -> tuple[FloatArray, FloatArray]:
        """Coefficients (n, 4, B, 2) of gains, one a track or all of one, as they are."""
        power = self.sources.power[tracks][:, None]
        smear = np.array([spot.smear for spot in spots])[:, None, None]
        early, late = found.early * power, found.late * power
        return (
            np.stack([(1.0 - smear) * early, smear * early], -1),
            np.stack([smear * late, (1.0 - smear) * late], -1),
        )

    def totals(self, found: Gains, tracks: Any = slice(None)) -> Totals:
        """Totals of gains, one a track or all of one."""
        power, thirds = self.sources.power[tracks], self.sources.third_power[tracks]
        parts = [part * power[:, None] for part in (found.early, found.late, found.direct)]
        return Totals(*parts, found.thirds * thirds[:, None])

    def _of_reference(
        self, found: Gains, spots: Sequence[Spot], tracks: Any = slice(None)
    ) -> tuple[FloatArray, FloatArray]:
        """Coefficients with the band energies of the reference."""
        env = self.envelopes
        level = env.templates[tracks].mean(-1)
        reference = band_energy(env.early[tracks], env.late[tracks], level)
        early, late = self.coefficients(found, spots, tracks)
        return place_only(early, late, level, reference)

    def catalogue(self, track: int, spots: Sequence[Spot]) -> Catalogue:
        """Options of one track."""
        one, found = slice(track, track + 1), gains(spots)
        return Catalogue(
            *self._of_reference(found, spots, one),
            totals=self.totals(found, one),
            seating=np.array([spot.seating for spot in spots]),
            effort=np.array([spot.effort for spot in spots]),
        )

    def sounding(self, spots: Sequence[Spot], found: Gains | None = None) -> Sounding:
        """What layers sound like at their spots, or with gains of their own."""
        found = found or gains(spots)
        return sounding_of(
            self.envelopes,
            *self._of_reference(found, spots),
            totals=self.totals(found),
            seating=np.array([spot.seating for spot in spots]),
        )

    def cost(self, spots: Sequence[Spot], found: Gains | None = None) -> Cost:
        """Cost of layers at their spots, or with gains of their own."""
        return evaluate(self.scene, self.sounding(spots, found), self.compared)


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
            direct=rng.uniform(0.3, 0.9),
            smear=rng.uniform(0.0, 0.3),
            effort=rng.uniform(0.0, 0.01),
        )
        for _ in range(count)
    ]


def with_spot(spots: list[Spot], index: int, **changes: float) -> list[Spot]:
    """The same places with one of them changed."""
    return [replace(s, **changes) if i == index else s for i, s in enumerate(spots)]
