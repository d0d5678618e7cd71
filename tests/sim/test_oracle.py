"""The project's own filtering against pyroomacoustics', image for image."""

from __future__ import annotations

import numpy as np
import pytest

from sim.images import ENGINE_WALLS, REFLECTION_OCTAVES, WALLS
from sim.microphones import Arrays, Microphone, Pair
from sim.reflections import arrivals, assemble
from sim.room import Room
from sim.source import Source

RATE = 48000
ARRAYS = Arrays(hall=Pair(6.0, 5.0, -6.0))
WANTED = Room(30.0, 20.0, 11.0, conductor=8.0)
NAMED = Room(
    30.0,
    20.0,
    11.0,
    conductor=8.0,
    surfaces=tuple(
        zip(
            WALLS,
            ("wooden_lining", "wooden_lining", "audience_orchestra_choir", "plasterboard",
             "stage_floor", "hard_surface"),
            strict=True,
        )
    ),
)  # fmt: skip


def oracle(room: Room, source: Source, microphones: list[Microphone], order: int) -> list:
    """Responses by pyroomacoustics with the same walls, air and speed of sound."""
    pra = pytest.importorskip("pyroomacoustics")
    octaves = REFLECTION_OCTAVES.tolist()
    materials = {
        name: pra.Material({"coeffs": row, "center_freqs": octaves})
        for name, row in zip(ENGINE_WALLS, room.absorption().tolist(), strict=True)
    }
    engine = pra.ShoeBox(
        list(room.dimensions), fs=RATE, materials=materials, max_order=order, air_absorption=True
    )
    engine.set_air_absorption(room.air(REFLECTION_OCTAVES).tolist())
    engine.set_sound_speed(room.sound_speed)
    engine.add_source(room.placed(np.array(source.position)))
    engine.add_microphone_array(room.placed(np.array([m.position for m in microphones])).T)
    engine.compute_rir()
    return [row[0] for row in engine.rir]


def octave_levels(responses: list) -> np.ndarray:
    """Level per microphone in the octaves from 250 Hz to 8 kHz, dB."""
    grid = np.fft.rfftfreq(1 << 16, 1.0 / RATE)
    spectra = [np.square(np.abs(np.fft.rfft(row, 1 << 16))) for row in responses]
    inside = [(grid > c / 2**0.5) & (grid < c * 2**0.5) for c in REFLECTION_OCTAVES[1:7]]
    return 10.0 * np.log10([[row[band].sum() for band in inside] for row in spectra])


@pytest.mark.parametrize(("room", "order"), [(WANTED, 4), (NAMED, 4)])
def test_octave_levels(room: Room, order: int) -> None:
    """Every octave from 250 Hz to 8 kHz within 0.5 dB, equal walls and walls of six materials."""
    source = Source((3.0, 4.0))
    capsules = [Microphone(m.position) for m in (*ARRAYS.shared(), ARRAYS.close_at((3.0, 4.0)))]
    found = arrivals(room, source, capsules, order=order)
    taps = int((found.delay.max() + 0.05) * RATE)
    own = assemble(room, found, taps=taps, sample_rate=RATE)
    expected = octave_levels(oracle(room, source, capsules, order))
    np.testing.assert_allclose(octave_levels(list(own)), expected, atol=0.5)


def test_moment_of_arrival() -> None:
    """The direct sound comes at the same sample, less the engine's own 40 samples of delay."""
    source, capsules = Source((3.0, 4.0)), [Microphone((0.0, 0.0, 3.0))]
    found = arrivals(WANTED, source, capsules, order=0)
    own = assemble(WANTED, found, taps=4096, sample_rate=RATE)[0]
    other = oracle(WANTED, source, capsules, 0)[0]
    shift = int(np.argmax(np.abs(other))) - int(np.argmax(np.abs(own)))
    assert abs(shift - 40) <= 1
