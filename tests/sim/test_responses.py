"""A simulated seat sounds as near or far as published acoustics say."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest

from sim.bands import OCTAVES, erb_edges, power_weights
from sim.microphones import Arrays, Close, Microphone
from sim.parameters import (
    clarity_db,
    direct_to_reverberant_db,
    lateral_fraction,
    octave,
    reverberation_time,
    strength_db,
)
from sim.responses import early_responses, longest_response, simulate
from sim.room import Room
from sim.source import Source

RATE = 48000
STAGE = Room()
HALLS = {
    20000: Room(26.0, 47.0, 16.4, conductor=15.0, reverberation_time=(2.0,) * 5 + (1.6, 1.0)),
    10000: Room(24.0, 32.0, 13.0, conductor=12.0, reverberation_time=(1.8,) * 5 + (1.5, 0.9)),
    3000: Room(15.0, 25.0, 8.0, conductor=8.0, reverberation_time=(1.5,) * 5 + (1.3, 0.8)),
}
SMALL = Room(7.0, 9.0, 4.0, conductor=4.0, reverberation_time=(0.4,) * 7)
THEORY = np.genfromtxt(
    Path(__file__).parent.parent / "references" / "barron_lee.csv", delimiter=",", comments="#"
)[1:]
PAIRS = 16
ROOMS = Path(__file__).parent.parent.parent / "configs" / "rooms"


def pairs(room: Room, distance: float, rng: np.random.Generator) -> list[tuple[np.ndarray, ...]]:
    """Random player and listener `distance` m apart, at least 1 m from every wall."""
    found: list[tuple[np.ndarray, ...]] = []
    size = np.array(room.dimensions)
    while len(found) < PAIRS:
        player = rng.uniform([1.0, 1.0, 1.0], [size[0] - 1.0, size[1] - 1.0, 1.6])
        angle, rise = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(0.0, min(2.5, 0.8 * distance))
        flat = np.sqrt(distance**2 - rise**2)
        listener = player + [flat * np.cos(angle), flat * np.sin(angle), rise]
        if (listener > 1.0).all() and (listener < size - 1.0).all():
            corner = np.array([0.5 * room.width, room.conductor, 0.0])
            found.append((player - corner, listener - corner))
    return found


def measured(room: Room, distance: float) -> np.ndarray:
    """Mean G, C80, DRR and late level at 1 kHz over random pairs, dB."""
    rng = np.random.default_rng(int(room.volume + distance))
    figures = []
    for player, listener in pairs(room, distance, rng):
        heard = simulate(
            room, Source(tuple(player)), [Microphone(tuple(listener))], sample_rate=RATE, seed=1
        )
        band = octave(heard.early + heard.late, 1000.0, sample_rate=RATE)[0]
        # an octave at 1 kHz passes 707 of 24000 Hz: scaled to the strength of a full band
        full = np.sqrt(RATE / 2.0 / 707.1)
        onset = float(heard.direct_delay[0]) + 0.0017  # the filter's own delay
        late = octave(heard.late, 1000.0, sample_rate=RATE)[0]
        figures.append(
            [
                strength_db(full * band),
                clarity_db(band, RATE, onset=onset),
                direct_to_reverberant_db(band, RATE, onset=onset),
                strength_db(full * late),
            ]
        )
    return np.mean(figures, axis=0)


@pytest.mark.parametrize("row", THEORY, ids=lambda row: f"{row[0]:.0f}m3-{row[2]:.0f}m")
def test_barron_and_lee(row: np.ndarray) -> None:
    """G within 1.5 dB and C80 within 2 dB of the revised theory, 3 to 40 m, in three rooms.

    The theory has no floor: near the player its mirror image alone adds up to 1 dB to G.
    """
    strength, clarity, _, late = measured(HALLS[int(row[0])], row[2])
    assert strength == pytest.approx(row[6], abs=1.5)
    assert clarity == pytest.approx(row[7], abs=2.0)
    assert late == pytest.approx(row[5], abs=0.5)  # the spread of 16 noisy octaves is 0.1 dB


def test_level_falls_with_distance() -> None:
    """The late level falls 0.174 / T dB a metre (Barron & Lee), within 0.3 dB from 5 to 30 m."""
    near, far = measured(HALLS[20000], 5.0)[3], measured(HALLS[20000], 30.0)[3]
    assert near - far == pytest.approx(0.174 / 2.0 * 25.0, abs=0.3)


def described(path: Path) -> Room:
    """Room of a file in `configs/rooms`."""
    values = tomllib.loads(path.read_text(encoding="utf-8"))
    if "surfaces" in values:
        values["surfaces"] = tuple(values["surfaces"].items())
    if "reverberation_time" in values:
        values["reverberation_time"] = tuple(values["reverberation_time"])
    return Room(**values)


SHIPPED = {path.stem: described(path) for path in sorted(ROOMS.glob("*.toml"))}
WANTED = {name: room for name, room in SHIPPED.items() if room.reverberation_time is not None}


def measured_times(room: Room, seats: int) -> np.ndarray:
    """Mean T30 from 125 Hz to 4 kHz over random seats and microphones, s."""
    rng = np.random.default_rng(5)
    size, rate = np.array(room.dimensions), 16000
    corner = np.array([0.5 * room.width, room.conductor, 0.0])
    times = []
    for seat in range(seats):
        player = rng.uniform([0.2, 0.5, 0.1], [0.8, 0.85, 0.3]) * size - corner
        places = rng.uniform([0.1, 0.1, 0.2], [0.9, 0.45, 0.8], (6, 3)) * size - corner
        capsules = [Microphone(tuple(place)) for place in places]
        heard = simulate(room, Source(tuple(player)), capsules, sample_rate=rate, seed=seat)
        whole = heard.early + heard.late
        bands = [octave(whole, centre, sample_rate=rate) for centre in OCTAVES[:6]]
        times.append([reverberation_time(band, rate) for band in bands])
    return np.asarray(np.mean(times, axis=(0, 2)))


@pytest.mark.parametrize("name", [*WANTED, "very small"])
def test_reverberation_time_is_met(name: str) -> None:
    """T30 measured on finished responses meets the wanted one within 5 %, 125 Hz to 4 kHz.

    All shipped rooms, and one of 250 m3 where 80 ms of early sound are a third of the decay.
    """
    room = WANTED.get(name, SMALL)
    got = measured_times(room, 40 if room is SMALL else 8)
    np.testing.assert_allclose(got, room.reverberation_time[:6], rtol=0.05)  # type: ignore[index]


def test_off_the_grid() -> None:
    """Between seats 1 m apart, early energy may be interpolated: 1.5 dB rms a microphone and band.

    The direct sound, taken from its distance, within 0.3 dB. Late energy is known everywhere.
    """
    capsules = Arrays().shared()
    weights = power_weights(erb_edges(), np.fft.rfftfreq(16384, 1.0 / RATE))

    def levels(x: float, y: float) -> tuple[np.ndarray, np.ndarray]:
        heard = early_responses(STAGE, Source((x, y)), capsules, sample_rate=RATE)
        energy = np.square(np.abs(np.fft.rfft(heard.early, 16384))) @ weights.T
        return 10.0 * np.log10(energy), -20.0 * np.log10(heard.direct_delay)

    rng = np.random.default_rng(1)
    errors = []
    for x, y in rng.uniform([-6.5, 1.2], [6.5, 9.8], (12, 2)):
        left, front = np.floor(x), np.floor(y)
        right, back = x - left, y - front
        exact = levels(x, y)
        between = [np.zeros_like(part) for part in exact]
        for dx, dy in ((0, 0), (1, 0), (0, 1), (1, 1)):
            weight = abs(1 - dx - right) * abs(1 - dy - back)
            for total, part in zip(between, levels(left + dx, front + dy), strict=True):
                total += weight * part
        errors.append([a - b for a, b in zip(between, exact, strict=True)])
    early = np.array([error[0] for error in errors])
    direct = np.array([error[1] for error in errors])
    assert np.sqrt(np.mean(np.square(early))) < 1.5
    assert np.sqrt(np.mean(np.square(direct))) < 0.3


def test_lateral_energy_of_a_hall() -> None:
    """A shoebox hall gives listeners a lateral fraction in the range of good halls, 0.1 to 0.35.

    The range is Barron's recommendation, quoted second hand.
    """
    fractions = []
    for x in (-6.0, -3.0, 2.0, 5.0):
        place = (x, -9.0, 1.5)
        toward = np.subtract(place, (0.5, 3.0, 1.2))[:2] / np.hypot(x - 0.5, -12.0)
        sideways = (float(-toward[1]), float(toward[0]), 0.0)
        capsules = [Microphone(place), Microphone(place, sideways, 0.0)]
        source = Source((0.5, 3.0))
        heard = simulate(SHIPPED["shoebox_hall"], source, capsules, sample_rate=RATE, seed=1)
        bands = [octave(heard.early + heard.late, c, sample_rate=RATE) for c in (250.0, 500.0, 1e3)]
        onset = float(heard.direct_delay[0])
        fractions.append([lateral_fraction(*band, RATE, onset=onset + 0.003) for band in bands])
    assert 0.1 < np.mean(fractions) < 0.35


def test_near_and_far_microphones() -> None:
    """Close microphones are direct, hall ones reverberant: at 1 kHz, 6 ms as direct sound."""
    seat = (2.0, 5.0)
    ratios = {}
    for distance in (0.5, 2.5):
        arrays = Arrays(close=Close(distance=distance))
        capsules = (*arrays.shared(), arrays.close_at(seat))
        heard = simulate(STAGE, Source(seat), capsules, sample_rate=RATE, seed=3)
        band = octave(heard.early + heard.late, 1000.0, sample_rate=RATE)
        onset = heard.direct_delay + 0.0017  # the filter's own delay
        ratios[distance] = direct_to_reverberant_db(band, RATE, onset=onset)
    # 1 / r^2 alone is 14 dB from 0.5 to 2.5 m, but half a metre above the player the floor's
    # reflection comes on the axis and just too late to count as direct
    assert ratios[0.5][-1] > 12.0
    assert ratios[0.5][-1] > ratios[2.5][-1] + 3.0
    assert ratios[2.5][-1] > ratios[2.5][:3].mean() > ratios[2.5][5:7].mean() + 3.0
    assert ratios[2.5][5:7].max() < -6.0  # hall, 15 m away


def test_early_is_the_same_alone() -> None:
    """The early part for the table is the early part of the full simulation, sample by sample."""
    arrays = Arrays()
    capsules = (*arrays.shared(), arrays.close_at((1.0, 3.0)))
    source = Source((1.0, 3.0), 3.0, "woodwinds")
    full = simulate(STAGE, source, capsules, sample_rate=RATE, seed=1)
    alone = early_responses(STAGE, source, capsules, sample_rate=RATE)
    taps = alone.early.shape[1]
    np.testing.assert_array_equal(full.early[:, :taps], alone.early)
    assert not full.early[:, taps:].any()
    assert full.early.shape == full.late.shape
    np.testing.assert_array_equal(full.direct_delay, alone.direct_delay)


def test_other_sample_rate_is_the_same_room() -> None:
    """At 44.1 and 96 kHz a seat has the octave levels it has at 48 kHz, within 0.3 dB."""
    capsules = Arrays().shared()
    levels = []
    for rate in (48000, 44100, 96000):
        early = early_responses(STAGE, Source((2.0, 4.0)), capsules, sample_rate=rate).early
        spectrum = np.square(np.abs(np.fft.rfft(early, 2 * rate)))  # bins of 0.5 Hz
        rows = [
            spectrum[:, int(c * 2**0.5) : int(c * 2**1.5)].mean(axis=1) for c in OCTAVES.tolist()
        ]
        levels.append(10.0 * np.log10(rows))
    np.testing.assert_allclose(levels[1], levels[0], atol=0.3)
    np.testing.assert_allclose(levels[2], levels[0], atol=0.3)


def test_neighbouring_seats_are_alike() -> None:
    """Half a metre to the side changes the early level by little: no jumps in the table."""
    capsules = Arrays().shared()
    energies = []
    for x in np.arange(-2.0, 2.01, 0.5):
        early = early_responses(STAGE, Source((x, 4.0)), capsules, sample_rate=RATE).early
        energies.append(10.0 * np.log10(np.sum(np.square(early), axis=1)))
    assert np.abs(np.diff(energies, axis=0)).max() < 3.0


def test_no_response_is_longer_than_the_longest() -> None:
    """From one corner to the other, in a short and in a long room."""
    for room in (SMALL, HALLS[3000]):
        corner = Source((0.5 - room.width / 2, room.depth - room.conductor - 0.5), width=0.5)
        microphone = Microphone((room.width / 2 - 0.2, 0.2 - room.conductor, room.height - 0.2))
        found = simulate(room, corner, [microphone], sample_rate=16000.0, seed=1)
        longest, slowest = longest_response(room), max(room.reverberation_time)
        assert found.early.shape[1] <= math.ceil(longest * 16000.0)
        assert slowest < longest < 1.1 * slowest + 0.2


def test_a_response_ends_without_a_step() -> None:
    """The last 20 ms fall by a raised cosine to silence: a cut would click."""
    found = simulate(HALLS[20000], Source((0.0, 4.0)), Arrays().shared(), sample_rate=RATE, seed=1)
    fade, part = int(0.020 * RATE), int(0.002 * RATE)
    late = found.late[:, -3 * fade :]
    level = np.sqrt(np.square(late).reshape(len(late), -1, part).mean(axis=(0, 2)))
    before = float(np.sqrt(np.mean(np.square(level[: 2 * fade // part]))))
    shape = 0.5 * (1.0 + np.cos(np.pi * (np.arange(fade // part) + 0.5) / (fade // part)))
    assert not found.late[:, -1].any()
    np.testing.assert_allclose(level[-len(shape) :], before * shape, atol=0.2 * before)
