"""The late part is noise of the right level, likeness and origin."""

from __future__ import annotations

import numpy as np
import pytest

from sim import tail
from sim.bands import ERB_CENTRES, erb_edges, power_weights
from sim.coherence import diffuse_coherence
from sim.microphones import Arrays, Microphone, Tree
from sim.responses import late_field, simulate
from sim.room import Room
from sim.source import Source

RATE = 48000
ROOM = Room(20.0, 28.0, 9.0, conductor=13.0, reverberation_time=(1.5,) * 5 + (1.2, 0.8))
ARRAYS = Arrays(tree=Tree(pattern=0.7))
SEAT = (-3.0, 4.0)
CAPSULES = (*ARRAYS.shared(), ARRAYS.close_at(SEAT))


def late(seed: int, seat: tuple[float, float] = SEAT, family: str = "brass") -> np.ndarray:
    """Late part at every microphone."""
    source = Source(seat, 4.0, family)
    return simulate(ROOM, source, CAPSULES, sample_rate=RATE, seed=seed).late


def test_level_equals_late_field() -> None:
    """Every ERB band carries the energy that `late_field` promises, at every microphone.

    Within 0.5 dB averaged over microphones and 6 seeds, two-sided, and without a bias: the search
    weighs candidates by the one and the render sounds like the other.
    """
    field = late_field(ROOM, Source(SEAT, 4.0, "brass"), CAPSULES, centres=ERB_CENTRES)
    taps = late(0).shape[1]
    weights = power_weights(erb_edges(), np.fft.rfftfreq(taps, 1.0 / RATE))
    energy = np.mean([np.square(np.abs(np.fft.rfft(late(seed)))) for seed in range(6)], axis=0)
    got = energy @ weights.T / weights.sum(axis=1)
    difference = 10.0 * np.log10(got / field.level)
    assert np.abs(difference.mean(axis=0)).max() < 0.5
    assert abs(difference.mean()) < 0.1
    assert np.abs(difference[:, 8:]).max() < 0.75  # above 250 Hz even one microphone alone


def test_each_seed_is_even() -> None:
    """No seat is coloured by the luck of its noise: one seed alone is close in every band.

    Without evening out, a band of 40 Hz of a tail this short scatters by 2 dB.
    """
    field = late_field(ROOM, Source(SEAT, 4.0, "brass"), CAPSULES, centres=ERB_CENTRES)
    heard = late(5)
    weights = power_weights(erb_edges(), np.fft.rfftfreq(heard.shape[1], 1.0 / RATE))
    got = np.square(np.abs(np.fft.rfft(heard))) @ weights.T / weights.sum(axis=1)
    difference = 10.0 * np.log10(got / field.level)
    low = ERB_CENTRES < 2300.0
    assert np.sqrt(np.mean(np.square(difference[:, low]))) < 0.4
    assert np.sqrt(np.mean(np.square(difference[:, ~low]))) < 0.8


def test_the_lower_bins_are_the_same_sound_at_a_lower_rate() -> None:
    """Evening out hears what a low-pass would leave: every eighth sample, within 1 %."""
    frames = tail._Frames.of(ROOM, begin=0, taps=20000, sample_rate=RATE)
    bins = (len(frames.frequencies) - 1) // 8
    noise = np.random.default_rng(4).standard_normal((2, len(frames.moment), bins + 1, 2))
    low = noise[..., 0] + 1j * noise[..., 1]
    low[..., 0] = low[..., 3 * bins // 4 :] = 0.0
    whole = np.zeros((*low.shape[:2], len(frames.frequencies)), complex)
    whole[..., : bins + 1] = low
    sampled, heard = tail._overlapped(frames, whole)[:, ::8], tail._overlapped(frames, low)
    assert sampled.shape == heard.shape
    assert (sampled - heard).std() < 0.01 * sampled.std()


def test_coherence_follows_the_diffuse_field() -> None:
    """Pairs are as alike as sin(kd)/(kd) and its directional kin say, within 0.08 rms.

    Averaged over 60 seeds in bands of 30 Hz: the spread of an estimate from that many independent
    values (30 Hz x 0.22 s x 60 = 400) is 0.05.
    """
    rate, capsules = 8000, CAPSULES[:7]
    centres = np.array([45.0, 75.0, 105.0, 165.0, 255.0, 405.0, 1005.0])
    summed = np.zeros((len(centres), 7, 7), dtype=complex)
    for seed in range(60):
        heard = simulate(ROOM, Source(SEAT), capsules, sample_rate=rate, seed=seed).late
        spectra, grid = np.fft.rfft(heard), np.fft.rfftfreq(heard.shape[1], 1.0 / rate)
        for band, centre in enumerate(centres):
            part = spectra[:, np.abs(grid - centre) < 15.0]
            summed[band] += part @ part.conj().T
    root = np.sqrt(np.einsum("bii->bi", summed).real)
    got = summed / (root[:, :, None] * root[:, None, :])
    around = (centres[:, None] + np.linspace(-15.0, 15.0, 7)).ravel()
    fine = diffuse_coherence(capsules, around, speed=ROOM.sound_speed)
    wanted = fine.reshape(7, 7, len(centres), 7).mean(axis=3).transpose(2, 0, 1)
    others = ~np.eye(7, dtype=bool)
    difference = (got - wanted)[:, others]
    assert np.sqrt(np.mean(np.square(np.abs(difference)))) < 0.08
    tree = got[:, 0, 2]
    np.testing.assert_allclose(tree[:3].real, wanted[:3, 0, 2].real, atol=0.12)
    assert tree[0].real > 0.45  # 2 m apart at 45 Hz: sin(kd) / (kd) is 0.60
    assert abs(tree[-1]) < 0.2  # and nothing left at 1 kHz


def test_seed_and_seat_decide() -> None:
    """The same seed and seat give the same tail; another seed or seat one that is unrelated."""
    first = late(1)
    np.testing.assert_array_equal(first, late(1))
    for other in (late(2), late(1, (-3.0, 4.5))):
        taps = min(first.shape[1], other.shape[1])
        one, two = first[0, :taps], other[0, :taps]
        likeness = np.sum(one * two) / np.sqrt(np.sum(one**2) * np.sum(two**2))
        assert abs(likeness) < 0.05


def test_order_of_calls_does_not_matter() -> None:
    """Nothing depends on what was simulated before."""
    again = late(3)
    late(4, (2.0, 6.0))
    np.testing.assert_array_equal(late(3), again)


def test_decays_to_the_end() -> None:
    """The late part ends at least 60 dB below where it began, without a step."""
    heard = late(1)
    start = int(0.1 * RATE)
    begin = np.mean(np.square(heard[:, start : start + 4800]))
    end = np.mean(np.square(heard[:, -4800:]))
    assert 10.0 * np.log10(end / begin) < -57.0  # mean of the last 0.1 s
    assert np.abs(heard[:, -1]).max() < 1e-4 * np.abs(heard).max()


def test_no_late_sound_before_its_time() -> None:
    """Late begins 80 ms after the direct sound at that microphone, not at another one's."""
    heard = simulate(ROOM, Source(SEAT), CAPSULES, sample_rate=RATE, seed=1)
    for row, delay in zip(heard.late, heard.direct_delay, strict=True):
        assert np.abs(row[: int((delay + 0.075) * RATE)]).max() == 0.0
        opened = row[int((delay + 0.085) * RATE) :][:480]
        assert np.sqrt(np.mean(np.square(opened))) > 0.0


def test_brass_feeds_less_treble() -> None:
    """A directional source leaves the reverberation duller than an even one, by its law."""
    from sim.directivity import power, shading

    centres = np.array([100.0, 4000.0])
    one = late_field(ROOM, Source(SEAT, family="brass"), CAPSULES, centres=centres)
    even = late_field(ROOM, Source(SEAT), CAPSULES, centres=centres)
    expected = power(shading("brass", centres, speed=ROOM.sound_speed))
    np.testing.assert_allclose(one.level / even.level, np.tile(expected, (8, 1)), rtol=1e-9)
    assert expected[1] < 0.5 < 0.95 < expected[0]


@pytest.mark.parametrize("count", [1, 2])
def test_few_or_coincident_microphones(count: int) -> None:
    """One microphone works, and two in the same place hear the same."""
    capsules = [Microphone((0.0, 0.0, 3.0))] * count
    heard = simulate(ROOM, Source(SEAT), capsules, sample_rate=RATE, seed=1).late
    assert np.isfinite(heard).all()
    if count == 2:
        difference = np.sum(np.square(heard[0] - heard[1])) / np.sum(np.square(heard[0]))
        assert difference < 0.02  # -17 dB: alike up to 8 kHz, see sim.tail.MIXING_LIMIT
