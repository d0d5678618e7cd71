"""The early part is what geometry says: when, how loud, from where, and never too soon."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal.windows import kaiser

from placer.audio.true_peak import interpolator
from sim.directivity import FAMILIES
from sim.filters import bank
from sim.microphones import Arrays, Microphone
from sim.reflections import (
    EARLY,
    HANDOVER,
    KERNEL_PHASES,
    KERNEL_TAPS,
    _kernels,
    arrivals,
    assemble,
    early_weight,
    late_weight,
)
from sim.responses import early_responses
from sim.room import Room
from sim.source import FAR_END, LONGEST_SPREAD, Source
from sim.tail import _band_means

RATE = 48000
ROOM = Room(20.0, 26.0, 9.0, conductor=11.0, reverberation_time=(1.6,) * 5 + (1.2, 0.8))
SEAT = (3.0, 4.0, 1.2)
LISTENER = (-1.0, -2.0, 2.6)


def test_direct_sound() -> None:
    """The direct sound arrives after r / c at the level 1 / r."""
    found = arrivals(ROOM, Source(SEAT), [Microphone(LISTENER)])
    first = int(np.argmin(found.delay))
    r = np.linalg.norm(np.subtract(SEAT, LISTENER))
    assert found.delay[first] == pytest.approx(r / 343.2, rel=1e-3)
    assert found.amplitude[first] == pytest.approx(1.0 / r, rel=1e-6)
    heard = early_responses(ROOM, Source(SEAT), [Microphone(LISTENER)], sample_rate=RATE)
    until_floor = np.abs(heard.early[0, : int(r / 343.2 * RATE) + 20])
    assert np.argmax(until_floor) == pytest.approx(r / 343.2 * RATE, abs=1.0)
    assert heard.direct_delay[0] == pytest.approx(r / ROOM.sound_speed)


def test_floor_reflection() -> None:
    """The floor's mirror image: path over 2 z, weakened by distance and sqrt(1 - absorption)."""
    found = arrivals(ROOM, Source(SEAT), [Microphone(LISTENER)])
    path = np.linalg.norm(np.subtract((3.0, 4.0, -1.2), LISTENER))
    place = int(np.argmin(np.abs(found.delay - path / ROOM.sound_speed)))
    assert found.delay[place] == pytest.approx(path / ROOM.sound_speed, rel=1e-9)
    assert found.amplitude[place] == pytest.approx(1.0 / path, rel=1e-9)
    wall = np.sqrt(1.0 - ROOM.absorption()[4])
    np.testing.assert_allclose(found.gains[place], wall, rtol=1e-6)


def test_reciprocity() -> None:
    """An even source and an omnidirectional microphone may change places."""
    there = early_responses(ROOM, Source(SEAT), [Microphone(LISTENER)], sample_rate=RATE).early
    back = early_responses(ROOM, Source(LISTENER), [Microphone(SEAT)], sample_rate=RATE).early
    np.testing.assert_allclose(there, back, atol=1e-9 * np.abs(there).max())


def test_mirror() -> None:
    """A mirrored seat gives mirrored microphones the same responses."""
    arrays = Arrays()
    right = (*arrays.shared(), arrays.close_at((3.0, 4.0)))
    left = (*arrays.shared(), arrays.close_at((-3.0, 4.0)))
    swap = [2, 1, 0, 4, 3, 6, 5, 7]
    one = early_responses(ROOM, Source((3.0, 4.0), family="brass"), right, sample_rate=RATE).early
    other = early_responses(ROOM, Source((-3.0, 4.0), family="brass"), left, sample_rate=RATE).early
    np.testing.assert_allclose(other[swap], one, atol=1e-9 * np.abs(one).max())


def test_microphone_patterns() -> None:
    """A figure-eight at right angles to the source hears no direct sound, a cardioid half of it."""
    toward = np.subtract(SEAT, LISTENER) / np.linalg.norm(np.subtract(SEAT, LISTENER))
    side = tuple(np.cross(toward, (0.0, 0.0, 1.0)))
    capsules = [Microphone(LISTENER, side, pattern) for pattern in (0.0, 0.5, 1.0)]
    found = arrivals(ROOM, Source(SEAT), capsules)
    direct = found.amplitude[found.order == 0]
    np.testing.assert_allclose(direct / direct[2], [0.0, 0.5, 1.0], atol=1e-9)
    behind = Microphone(LISTENER, tuple(-toward), 0.5)
    found = arrivals(ROOM, Source(SEAT), [behind])
    assert found.amplitude[found.order == 0][0] == pytest.approx(0.0, abs=1e-9)


def test_instruments_face_their_way() -> None:
    """A trumpet sounds brighter to the conductor than to the back wall; a horn duller."""
    seat = (0.0, 8.0, 1.2)
    capsules = [Microphone((0.0, 4.0, 1.2)), Microphone((0.0, 12.0, 1.2))]
    for family, sign in (("brass", 1), ("horns", -1)):
        found = arrivals(ROOM, Source(seat, family=family), capsules)
        front, back = found.gains[found.order == 0][:, 5]
        assert sign * (front - back) > 0.3


def test_nothing_before_the_direct_sound() -> None:
    """Before the direct sound (less the 0.5 ms of the delay kernel) lies less than -60 dB of it."""
    arrays = Arrays()
    for family in FAMILIES:
        for seat in ((-6.0, 2.0), (0.0, 8.0)):
            capsules = (*arrays.shared(), arrays.close_at(seat))
            source = Source(seat, family=family)
            heard = early_responses(ROOM, source, capsules, sample_rate=RATE)
            for row, delay in zip(heard.early, heard.direct_delay, strict=True):
                start = int(delay * RATE)
                direct = np.sum(np.square(row[start - 24 : start + 48]))
                assert np.sum(np.square(row[: max(0, start - 24)])) < 1e-6 * direct


def test_no_standing_pressure() -> None:
    """All-positive images pile up pressure at 0 Hz; what is left below 3 Hz is inaudible."""
    found = arrivals(ROOM, Source(SEAT), [Microphone(LISTENER)])
    heard = early_responses(ROOM, Source(SEAT), [Microphone(LISTENER)], sample_rate=RATE).early[0]
    piled = float(np.sum(found.amplitude * found.gains[:, 0]))
    assert abs(float(heard.sum())) < 0.1 * piled


@pytest.mark.parametrize("width", [2.0, 5.0, 9.0])
def test_width_keeps_the_direct_sound(width: float) -> None:
    """A wide section's direct sound has the spectrum of a point's at every microphone."""
    arrays = Arrays()
    capsules = (*arrays.shared(), arrays.close_at((-4.0, 3.0)))
    spectra = []
    for wide in (0.0, width):
        found = arrivals(ROOM, Source((-4.0, 3.0), wide, "strings"), capsules, order=0)
        heard = assemble(ROOM, found, taps=8192, sample_rate=RATE)
        spectra.append(np.abs(np.fft.rfft(heard, 1 << 15)))
    frequencies = np.fft.rfftfreq(1 << 15, 1.0 / RATE)
    checked = (frequencies > 25.0) & (frequencies < 16000.0)
    level = 20.0 * np.log10(spectra[1][:, checked] / spectra[0][:, checked])
    assert np.abs(level).max() < 0.1


def test_width_makes_microphones_differ() -> None:
    """Two tree microphones hear a wide section less alike than a point: that is its width."""
    capsules = Arrays().shared()[:3:2]

    def likeness(width: float) -> float:
        found = arrivals(ROOM, Source((-2.0, 4.0), width), capsules, order=0)
        left, right = assemble(ROOM, found, taps=8192, sample_rate=RATE)
        products = np.abs(np.correlate(left, right, mode="full")).max()
        return float(products / np.sqrt(np.sum(left**2) * np.sum(right**2)))

    assert likeness(0.0) > 0.9
    assert likeness(6.0) < 0.8


def test_mirrored_microphones_hear_a_wide_section_apart() -> None:
    """The step of the all-pass is the way between both ends, shorter where the right is nearer."""
    capsules = [Microphone((side * 2.0, 0.0, 3.0)) for side in (-1.0, 1.0)]
    found = arrivals(ROOM, Source((0.0, 4.0), 4.0), capsules, order=0)
    left, right = (np.sort(found.delay[found.microphone == mic]) for mic in (0, 1))
    # three players a third of the width apart
    ends = [(x, 4.0, 1.2) for x in (-4.0 / 3.0, 4.0 / 3.0)]
    ways = [np.linalg.norm(np.subtract(end, (-2.0, 0.0, 3.0))) for end in ends]
    step = (ways[1] - ways[0]) / ROOM.sound_speed
    assert step < LONGEST_SPREAD
    np.testing.assert_allclose(np.diff(left), step, rtol=1e-9)
    np.testing.assert_allclose(np.diff(right), FAR_END * step, rtol=1e-9)


def test_early_and_late_share_all_energy() -> None:
    """Early and late weights sum to one; early ends 80 ms after the direct sound, give or take."""
    after = np.linspace(0.0, 0.2, 401)
    np.testing.assert_allclose(early_weight(after) + late_weight(after), 1.0)
    assert early_weight(np.array([EARLY])) == pytest.approx(0.5)
    edges = early_weight(np.array([EARLY - HANDOVER, EARLY + HANDOVER]))
    np.testing.assert_allclose(edges, [1.0, 0.0], atol=1e-12)


def test_outside_is_refused() -> None:
    """A microphone beyond the wall is an error that says where the room ends."""
    with pytest.raises(ValueError, match=r"microphone at x, y, z = -3\.00, -10\.00.*y -4 to"):
        arrivals(Room(conductor=4.0), Source(SEAT), Arrays().shared())


def test_half_a_sample_is_a_windowed_sinc() -> None:
    """Half way between two samples: a sinc under a Kaiser window (that of scipy), of gain 1."""
    half = _kernels()[KERNEL_PHASES // 2]
    steps = np.arange(KERNEL_TAPS) - KERNEL_TAPS / 2 + 0.5
    expected = np.sinc(steps) * kaiser(2 * KERNEL_TAPS + 1, 8.0)[1::2]
    np.testing.assert_allclose(half, expected / expected.sum(), atol=1e-12)


def test_what_is_kept_for_later_calls_cannot_be_changed() -> None:
    """Arrays that one process works out once are read-only, so no caller alters another's sound."""
    members = bank(48000.0, 20.0, 50.0)
    kept = [_kernels(), _band_means(256, 16000.0), interpolator(4), members.level, members.solve]
    for array in kept:
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0.0
