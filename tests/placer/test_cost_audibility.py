"""Audibility against hearing data: spatial release, masking level differences, thresholds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import spearmanr

from placer.cost import audibility as whole
from placer.cost import formulas
from placer.cost.audibility import (
    audibility,
    audibility_cost,
    hidden_quarter,
    threshold_ratio,
)
from placer.cost.binaural import binaural_gain, cancellation_limit
from placer.cost.prepare import EXPONENT, importance
from sim.bands import ERB_CENTRES, erb_frequency, excitation_weights
from sim.ears import ear_maps, head_maps
from tests.kemar import head_responses
from tests.placer import partial_loudness, synthetic
from tests.placer.synthetic import Layer, Music, Spot


def gain_db(signal: list[float], masker: list[float], frequency: float) -> float:
    """Binaural gain in dB of one band from covariances LL, RR, Re, Im."""
    limit = cancellation_limit(np.array([frequency]))
    t, m = (np.array(x, float)[:, None] for x in (signal, masker))
    return float(10 * np.log10(binaural_gain(t, m, limit)[0]))


def pair(phase: float, coherence: float = 1.0) -> list[float]:
    """Covariance of equal ears with a phase between them."""
    return [1.0, 1.0, coherence * np.cos(phase), coherence * np.sin(phase)]


@pytest.mark.parametrize(
    ("frequency", "row"),
    [
        (125.0, (14.72, 10.86, 7.48, 5.60, 11.86)),
        (250.0, (13.58, 10.38, 7.27, 5.48, 10.75)),
        (500.0, (10.73, 8.85, 6.54, 5.04, 8.07)),
        (1000.0, (6.14, 5.52, 4.48, 3.64, 4.08)),
        (1500.0, (3.21, 2.98, 2.55, 2.16, 1.89)),
        (2000.0, (1.45, 1.36, 1.20, 1.04, 0.78)),
        (4000.0, (0.01, 0.01, 0.01, 0.01, 0.00)),
    ],
)
def test_masking_level_differences(frequency: float, row: tuple[float, ...]) -> None:
    """Culling, Hawley & Litovsky (2004, 2005): antiphase at rho 1, .9, .7, .5, then quadrature."""
    for coherence, expected in zip((1.0, 0.9, 0.7, 0.5), row, strict=False):
        found = gain_db(pair(np.pi), pair(0.0, coherence), frequency)
        assert found == pytest.approx(expected, abs=0.04)
    assert gain_db(pair(np.pi / 2), pair(0.0), frequency) == pytest.approx(row[4], abs=0.03)
    assert gain_db(pair(0.0), pair(0.0), frequency) == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(
    ("frequency", "narrowest", "widest"),
    [(125, 23, 13.2), (250, 25, 15), (500, 23.5, 18.5), (1000, 21, 7), (2000, 16.5, 4)],
)
def test_never_more_than_listeners_gain(frequency: float, narrowest: float, widest: float) -> None:
    """N0S0 - N0Spi of van de Par & Kohlrausch (1999): predicted gain stays at or below the data."""
    found = gain_db(pair(np.pi), pair(0.0), float(frequency))
    assert found <= widest + 1.6
    assert found <= narrowest


@pytest.mark.parametrize(("signal", "masker"), [(2.0, 0.5), (-1.0, 1.5), (3.0, -2.0)])
def test_only_the_difference_of_phases_counts(signal: float, masker: float) -> None:
    """Delaying one ear turns signal and masker alike and changes nothing."""
    assert gain_db(pair(signal), pair(masker), 250.0) == pytest.approx(
        gain_db(pair(signal - masker), pair(0.0), 250.0), abs=1e-6
    )


def test_one_ear_gains_six_db_less() -> None:
    """N0Sm lies about 6 dB under N0Spi (Durlach & Colburn 1978, from memory: 9 and 15 dB)."""
    one_ear = gain_db([1.0, 0.0, 0.0, 0.0], pair(0.0), 500.0)
    assert gain_db(pair(np.pi), pair(0.0), 500.0) - one_ear == pytest.approx(6.0, abs=0.5)


def test_no_coherence_no_full_gain() -> None:
    """A signal without coherence gains about 3 dB less than antiphase, whatever its phase."""
    wide = gain_db(pair(0.0, 0.0), pair(0.0), 250.0)
    assert gain_db(pair(np.pi), pair(0.0), 250.0) - wide == pytest.approx(3.0, abs=0.3)
    assert gain_db(pair(1.0, 1e-6), pair(0.0), 250.0) == pytest.approx(wide, abs=1e-3)


def test_a_masker_at_one_ear_or_without_coherence_gives_no_gain() -> None:
    """Where the better ear is free, or nothing cancels, two ears are no better than one."""
    assert gain_db(pair(0.3), [1.0, 0.0, 0.0, 0.0], 250.0) == pytest.approx(0.0, abs=0.05)
    assert gain_db(pair(np.pi), pair(0.0, 0.0), 250.0) == pytest.approx(0.0, abs=1e-6)


def test_unit_of_level_does_not_matter() -> None:
    """Gain depends on ratios alone, and silence gives none."""
    loud = [1e6 * x for x in pair(2.0)]
    assert gain_db(loud, pair(0.2, 0.8), 300.0) == pytest.approx(
        gain_db(pair(2.0), [1e-6 * x for x in pair(0.2, 0.8)], 300.0), rel=1e-9
    )
    assert gain_db([0.0] * 4, pair(0.0), 300.0) == gain_db(pair(0.0), [0.0] * 4, 300.0) == 0.0


HAWLEY = (
    ((0,), -3.5), ((330,), -10.0), ((60,), -12.5), ((90,), -10.5),
    ((0, 0), -1.25), ((330, 90), -2.25), ((60, 90), -8.0), ((90, 90), -7.25),
    ((0, 0, 0), 1.5), ((330, 60, 90), 0.0), ((30, 60, 90), -4.5), ((90, 90, 90), -5.5),
)  # fmt: skip
"""Maskers' azimuths, degrees, and speech reception threshold, dB, target ahead: Hawley, Litovsky &
Culling (2004), J. Acoust. Soc. Am. 115, 833, speech-shaped noise."""

SPEECH = ((0, 0.0), (100, 0.0103), (200, 0.0261), (300, 0.0419), (400, 0.0577), (4400, 0.0460),
          (5300, 0.0343), (6400, 0.0226), (7700, 0.0110), (9500, 0.0))  # fmt: skip
"""Importance of bands for speech by lower edge, Hz (ANSI S3.5-1997); for this test alone."""

HALF_ERBS = erb_frequency(np.arange(2.0, 34.5, 0.5))


def head_covariance(azimuth_deg: float) -> np.ndarray:
    """Covariance (4, band) of the ears for white noise from a direction, KEMAR head."""
    left, right, rate = head_responses(azimuth_deg)
    spectra = np.fft.rfft(np.stack([left, right]), 8192)
    weights = excitation_weights(HALF_ERBS, np.fft.rfftfreq(8192, 1.0 / rate))
    cross = spectra[0] * np.conj(spectra[1])
    parts = (np.abs(spectra[0]) ** 2, np.abs(spectra[1]) ** 2, cross.real, cross.imag)
    return np.stack([weights @ part for part in parts])


def release_db(target: np.ndarray, masker: np.ndarray, weights: np.ndarray) -> float:
    """Better-ear ratio and binaural gain, weighted mean over bands."""
    ratio = 10 * np.log10(np.maximum(target[0] / masker[0], target[1] / masker[1]))
    limit = cancellation_limit(HALF_ERBS)
    gain = 10 * np.log10(binaural_gain(target, masker, limit))
    return float((weights * (ratio + gain)).sum() / weights.sum())


def test_speech_thresholds_of_hawley() -> None:
    """Twelve conditions with one to three maskers: r at least .97, rms error at most 1.2 dB."""
    edges, steps = np.array(SPEECH).T
    weights = steps[np.searchsorted(edges, HALF_ERBS, side="right") - 1]
    target = head_covariance(0.0)
    predicted = []
    for azimuths, _ in HAWLEY:
        masker = sum(head_covariance(a) for a in azimuths) / len(azimuths)
        predicted.append(10 * np.log10(len(azimuths)) - release_db(target, masker, weights))
    measured = np.array([threshold for _, threshold in HAWLEY])
    error = np.array(predicted) - measured
    assert np.corrcoef(predicted, measured)[0, 1] >= 0.97
    assert np.sqrt(np.mean(np.square(error - error.mean()))) <= 1.2


@pytest.mark.parametrize(
    ("hertz", "ratio_db"),
    [
        (50, 13.5), (63, 10.0), (80, 7.1), (100, 4.9), (125, 3.1), (160, 1.5), (200, 0.4),
        (250, -0.5), (400, -1.9), (500, -2.3), (1000, -3.0), (4000, -3.0),
    ],
)  # fmt: skip
def test_threshold_ratio(hertz: float, ratio_db: float) -> None:
    """Signal to noise at masked threshold, Moore, Glasberg & Baer (1997)."""
    found = 10 * np.log10(threshold_ratio(np.array([float(hertz)])))
    assert found[0] == pytest.approx(ratio_db, abs=1e-9)


def test_threshold_is_held_below_50_hz() -> None:
    """Where nothing is tabulated, the last value stands."""
    assert threshold_ratio(np.array([26.0]))[0] == threshold_ratio(np.array([50.0]))[0]


def test_a_wide_room_does_not_separate_what_a_head_would_not() -> None:
    """Panned against panned is worth dB, against a wide decorrelated pad next to nothing.

    Order of size from a measured head with loudspeakers at +-30 degrees (own computation, as in
    Jelfs, Culling & Lavandier 2011): hard left against centre 6 to 7 dB, against a pad 0 to 2.
    """
    way = ear_maps(HALF_ERBS)[1]
    flat = np.ones(len(HALF_ERBS))
    centre, side, pad = ([0.5, 0.5, 0.5, 0.0], [1.0, 0.0, 0.0, 0.0], [0.5, 0.5, 0.0, 0.0])
    ears = {
        k: np.einsum("cdb,d->cb", way, v) for k, v in zip("csp", (centre, side, pad), strict=True)
    }
    apart = release_db(ears["s"], ears["c"], flat) - release_db(ears["c"], ears["c"], flat)
    in_pad = release_db(ears["s"], ears["p"], flat)
    assert 3.0 < apart < 9.0
    assert 0.0 < in_pad < 3.5
    assert apart > in_pad + 1.5


def test_partial_loudness_orders_mixes_the_same_way() -> None:
    """Audible share against partial over unmasked loudness, 300 random mixes: Spearman >= .95."""
    rng = np.random.default_rng(5)
    band = np.arange(len(ERB_CENTRES))
    limit = threshold_ratio(ERB_CENTRES)[:, None]

    def spectrum() -> np.ndarray:
        centre, width = rng.uniform(0.0, 34.0), rng.uniform(3.0, 14.0)
        level = rng.uniform(45.0, 75.0) - 8.0 * ((band - centre) / width) ** 2
        return 10 ** ((level[:, None] + rng.normal(0.0, 3.0, (39, 4))) / 10)

    shares, ratios = [], []
    for _ in range(300):
        signal, noise = spectrum(), sum(spectrum() for _ in range(rng.integers(1, 6)))
        early = np.zeros((1, 4, 39, 4))
        early[0, 0] = signal
        weight = importance(early, np.zeros_like(early), np.ones(1))[0]
        shares.append((weight * signal / (1.01 * signal + limit * noise)).sum())
        hertz = ERB_CENTRES[:, None]
        masked = partial_loudness.specific_loudness(signal, noise, hertz).sum()
        ratios.append(masked / partial_loudness.specific_loudness_quiet(signal, hertz).sum())
    assert spearmanr(shares, ratios)[0] >= 0.95
    assert EXPONENT == 0.2


@pytest.mark.parametrize(
    ("hertz", "level", "expected"),
    [(1000, 57, 0.0054), (1000, 60, 0.1908), (1000, 70, 0.8361), (1000, 80, 1.6554),
     (100, 60, 0.0008), (100, 70, 0.4222), (100, 80, 1.3368)],
)  # fmt: skip
def test_the_witness_itself(hertz: float, level: float, expected: float) -> None:
    """Partial loudness in noise of 60 dB, values of the published equations (17 to 20)."""
    signal, noise = (np.array([10 ** (x / 10)]) for x in (level, 60.0))
    found = partial_loudness.specific_loudness(signal, noise, np.array([float(hertz)]))
    assert found[0] == pytest.approx(expected, rel=0.01, abs=4e-5)


def test_margin_in_db() -> None:
    """At masked threshold half is heard: 0 dB; 10 dB above it 10 dB; alone, the 20 dB ceiling."""
    shares = np.array([1 / 2.01, 1 / 1.11, 1 / 1.01, 1 / 101.01])
    np.testing.assert_allclose(formulas.margin_db(shares), [0.0, 10.0, 20.0, -20.0], atol=1e-9)


def test_hidden_quarter_takes_the_worst_by_weight() -> None:
    """The most hidden tracks count until a quarter of all weight is reached, the last in part."""
    share, weight = np.array([0.5, 0.1, 0.9, 0.3]), np.array([1.0, 0.5, 1.0, 1.5])
    np.testing.assert_allclose(hidden_quarter(share, weight), [0.0, 0.5, 0.0, 0.5])
    layers = [Layer(str(i), 100.0, 900.0, weight=w) for i, w in enumerate(weight)]
    scene = Music(layers, [Spot()] * 4, frames=4).scene
    none = np.full(4, -60.0)
    assert audibility_cost(scene, np.ones(4), none) == pytest.approx(0.0)
    assert audibility_cost(scene, np.zeros(4), none) == pytest.approx(1.0)


def two_layers(**other: float) -> tuple[list[Layer], Layer]:
    """A figure and a bed in one low register."""
    bed = Layer("bed", 60.0, 300.0, level_db=3.0)
    return [Layer("figure", 60.0, 300.0, rate=5.0, articulation=0.9), replace(bed, **other)], bed


def share_of(layers: list[Layer], spots: list[Spot]) -> np.ndarray:
    """Audible shares of layers at their spots, their tone that of the reference."""
    music = Music(layers, [Spot()] * len(layers), frames=50)
    sound = music.sounding(spots)
    return audibility(music.scene, sound.early, sound.late).share


def test_alone_is_all_and_together_less() -> None:
    """A layer alone is heard whole; a louder one in its register takes most of it away."""
    layers, _ = two_layers()
    assert share_of(layers[:1], [Spot(clarity_db=20.0)])[0] == pytest.approx(1 / 1.01, rel=1e-3)
    assert share_of(layers, [Spot()] * 2)[0] < 0.4


def test_apart_in_side_or_register_is_heard_better() -> None:
    """A step to the side or another register brings a hidden layer back."""
    layers, _ = two_layers()
    together = share_of(layers, [Spot()] * 2)[0]
    assert share_of(layers, [Spot(pan=-0.9), Spot(pan=0.9)])[0] > together + 0.05
    higher, _ = two_layers(low=1500.0, high=6000.0)
    assert share_of(higher, [Spot()] * 2)[0] > together + 0.4


def test_doubles_do_not_hide_one_another() -> None:
    """Layers of one group are heard as if the other were not there."""
    layers, _ = two_layers()
    doubled = [replace(layer, group=1) for layer in layers]
    spots = [Spot(clarity_db=20.0)] * 2
    assert share_of(doubled, spots)[0] == pytest.approx(
        share_of(layers[:1], spots[:1])[0], rel=1e-6
    )


def test_own_late_energy_hides_what_articulates_and_serves_what_does_not() -> None:
    """Alone and far, a figure loses much and a pad nothing; near, neither does."""
    layers, bed = two_layers()
    far, near = [Spot(clarity_db=-10.0)], [Spot(clarity_db=6.0)]
    assert share_of(layers[:1], near)[0] - share_of(layers[:1], far)[0] > 0.3
    assert share_of([bed], far)[0] == pytest.approx(share_of([bed], near)[0], abs=1e-3)


def test_late_energy_alone_is_nothing_of_what_only_articulates() -> None:
    """With the early energy gone, percussion is not heard however loud its room; a pad is."""
    for articulation, heard in ((1.0, 0.0), (0.0, 1.0 / 1.01)):
        layers = [Layer("only", 200.0, 2000.0, articulation=articulation)]
        music = Music(layers, [Spot()], frames=50)
        late = music.sounding([Spot()]).late
        share = audibility(music.scene, np.zeros_like(late), late).share[0]
        assert share == pytest.approx(heard, abs=1e-3)


def test_lows_need_more_than_middles() -> None:
    """At the same level against the same noise, 60 Hz is heard less than 1 kHz."""
    low = [Layer("a", 50.0, 70.0), Layer("b", 40.0, 90.0)]
    middle = [Layer("a", 900.0, 1100.0), Layer("b", 800.0, 1200.0)]
    assert share_of(low, [Spot()] * 2)[0] < share_of(middle, [Spot()] * 2)[0] - 0.2


def test_what_is_heard_and_what_is_hidden_are_the_whole() -> None:
    """The share heard, 20 dB of noise of its own and what each layer hides sum to 1.

    Doubles (some layers are) hide nothing of one another, so the others account for all of it.
    """
    layers = [replace(layer, group=t % 3 - 1) for t, layer in enumerate(synthetic.dense(7))]
    spots = synthetic.random_spots(7)
    music = Music(layers, spots, frames=30)
    sounding = music.sounding(spots)
    found = audibility(music.scene, sounding.early, sounding.late)
    np.testing.assert_allclose(1.01 * found.share + found.hides.sum(1), 1.0, rtol=1e-6)


def test_bands_that_are_heard_apart_are_heard_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    """However few bands are worked on at once, what is heard and who hides whom stay the same."""
    layers = [replace(layer, group=t % 3 - 1) for t, layer in enumerate(synthetic.dense(7))]
    spots = synthetic.random_spots(7)
    music = Music(layers, spots, frames=30)
    scene, sounding = music.scene, music.sounding(spots)
    found = []
    for together in (10**9, 5 * 7 * 4 * 30, 1):
        monkeypatch.setattr(whole, "TOGETHER", together)
        found.append(audibility(scene, sounding.early, sounding.late))
    for other in found[1:]:
        for name in ("share", "gain_db"):
            np.testing.assert_array_equal(getattr(found[0], name), getattr(other, name))
        np.testing.assert_allclose(found[0].hides, other.hides, rtol=1e-9, atol=1e-15)


def test_a_gain_in_one_spot_alone_is_no_gain_by_loudspeakers() -> None:
    """The binaural gain is the mean over the head's positions, the energies those at the centre.

    A layer in antiphase against one in the middle gains at the centre, where the masker is alike
    at both ears; 10 cm aside it is not, and the gain falls.
    """
    layers, _ = two_layers()
    spots = [Spot(turn=np.pi, clarity_db=60.0), Spot(clarity_db=60.0)]
    music = Music(layers, [Spot()] * 2, frames=50, listening=(0.0, 1.0))
    sound = music.sounding(spots)
    found = audibility(music.scene, sound.early, sound.late)
    weight = music.scene.importance[0]
    near = np.einsum("bf,cbf->cb", weight, sound.early[0] + 0.1 * sound.late[0])
    noise = np.einsum("bf,cbf->cb", weight, sound.early[1] + sound.late[1])
    limit = cancellation_limit(ERB_CENTRES)
    gains = np.array(
        [
            binaural_gain(
                np.einsum("dcb,cb->db", m, near), np.einsum("dcb,cb->db", m, noise), limit
            )
            for m in head_maps(ERB_CENTRES)
        ]
    )
    some = slice(4, 12)  # 150 to 700 Hz, where two ears cancel
    expected = 10 * np.log10(gains.mean(0))
    np.testing.assert_allclose(found.gain_db[1, 0, some], expected[some], atol=0.05)
    assert (10 * np.log10(gains[0]) - expected)[some].mean() > 0.3
