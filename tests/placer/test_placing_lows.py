"""How lows meet: low spectra measure what low thirds do, and foretell what a move does to a mix."""

from __future__ import annotations

import numpy as np
import pytest
from placer.placing.lows import LowBand, meeting
from placer.placing.options import propose
from placer.trial.ground import Ground, placements_of
from placer.trial.judge import Judge
from scipy.signal import oaconvolve

from placer.audio.envelopes import low_thirds
from placer.cost.objective import mix_row
from placer.placement.layout import DRY_LAYOUT
from sim.decibel import energy_db

RATE = 48000


def tones(seed: int, seconds: float) -> np.ndarray:
    """A few low notes that come and go, (2, frame)."""
    rng = np.random.default_rng(seed)
    time = np.arange(int(seconds * RATE)) / RATE
    notes = 41.2 * 2.0 ** (np.array([0, 3, 7, 12, 24]) / 12.0)
    turns = 2.0 * np.pi * rng.random((2, 5))
    swell = 0.6 + 0.4 * np.sin(2.0 * np.pi * (time * rng.uniform(0.2, 1.0, (5, 1)) + rng.random()))
    return np.stack(
        [(swell * np.sin(2 * np.pi * notes[:, None] * time + t[:, None])).sum(0) for t in turns]
    )


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_low_spectra_measure_what_low_thirds_measure(rate: int) -> None:
    """Against short-time windows: noise of every third within 0.2 dB, sides and cross."""
    rng = np.random.default_rng(0)
    samples = rng.standard_normal((2, 20 * rate))
    samples[1] = 0.6 * samples[0] + 0.8 * samples[1]
    band = LowBand(rate, samples.shape[-1])
    spectra = band.of(samples)
    products = (spectra[0] * spectra[:, None].conj()).real[:, 0] @ band.weights.T
    wanted = low_thirds(samples, rate)
    np.testing.assert_allclose(energy_db(products[0] / wanted[0]), 0.0, atol=0.2)
    np.testing.assert_allclose(products[1], wanted[2], rtol=0.12)


def test_a_tone_is_seen_in_the_thirds_that_its_window_reaches() -> None:
    """A steady tone near the edge of a third shares itself out as short-time windows see it."""
    time = np.arange(10 * RATE) / RATE
    for frequency in (27.5, 44.0, 56.5, 100.0):
        tone = np.tile(np.sin(2.0 * np.pi * frequency * time), (2, 1))
        band = LowBand(RATE, tone.shape[-1])
        spectra = band.of(tone)
        found = np.square(np.abs(spectra[0])) @ band.weights.T
        np.testing.assert_allclose(found, low_thirds(tone, RATE)[0], atol=0.01)
        assert found.sum() == pytest.approx(0.5, abs=0.01)


def test_through_a_response_is_what_convolution_gives() -> None:
    """Low spectra after low-rate convolution equal those of full-rate convolved audio."""
    rng = np.random.default_rng(1)
    stem = tones(0, 4.0)
    decay = np.exp(-np.arange(RATE) / (0.2 * RATE))
    responses = [rng.standard_normal((3, RATE)) * decay for _ in range(2)]
    heard = sum(oaconvolve(one[None], r, axes=-1) for one, r in zip(stem, responses, strict=True))
    band = LowBand(RATE, stem.shape[-1])
    wanted = band.of(heard[:, : stem.shape[-1]])
    error = band.through(stem, responses) - wanted
    assert np.sum(np.abs(error) ** 2) < 1e-4 * np.sum(np.abs(wanted) ** 2)
    late = band.delayed(wanted, DRY_LAYOUT, 240 / RATE)
    moved = heard.copy()
    moved[0] = np.roll(heard[0], 240)
    np.testing.assert_allclose(late[1:], wanted[1:])
    error = late[0] - band.of(moved[:, : stem.shape[-1]])[0]
    # the delay goes round the passage: 5 ms at either end of 4 s differ
    assert np.sum(np.abs(error) ** 2) < 5e-3 * np.sum(np.abs(wanted[0]) ** 2)


def test_meeting_is_the_cross_term_of_a_sum() -> None:
    """Energy of the sum less the energies of its parts, whatever the mixing matrix."""
    rng = np.random.default_rng(2)
    first, rest = tones(1, 20.0), tones(2, 20.0)
    band = LowBand(RATE, first.shape[-1])
    matrices = rng.uniform(-1.0, 1.0, (5, 2, 2))
    found = meeting(matrices, band.of(first), band.of(rest), band)
    scale = low_thirds(first, RATE)[:2].max()
    for matrix, met in zip(matrices, found, strict=True):
        parts = low_thirds(matrix @ first, RATE) + low_thirds(rest, RATE)
        wanted = low_thirds(matrix @ first + rest, RATE) - parts
        np.testing.assert_allclose(met[:3], wanted[:3], rtol=0.05, atol=0.01 * scale)
    assert np.abs(found).max() > 0.2 * scale


@pytest.mark.slow
def test_options_foretell_how_they_meet_the_rest(small_judge: Judge) -> None:
    """One track moved: what the real sum has besides its tracks changes as the tables say."""
    tables, scorer = small_judge.at({})
    rng = np.random.default_rng(3)
    cue = small_judge.material.cue
    centre = tuple(
        propose(track, table, count=2, trim_db=0.0, rng=rng)[-1]
        for track, table in zip(cue.tracks, small_judge.material.tables, strict=True)
    )
    catalogue = tables.around([centre], rng, exact=True)
    state = np.array([o.placements.index(p) for o, p in zip(catalogue, centre, strict=True)])

    def _really(chosen: np.ndarray) -> np.ndarray:
        sounding = scorer.score(placements_of(catalogue, chosen)).sounding
        assert sounding.mix_thirds is not None
        both = sounding.mix_thirds - sounding.totals.thirds.sum(axis=0)
        return np.asarray((both[0] + both[1]) / sounding.mix_thirds[:2].sum())

    met, before = tables.met(catalogue, state), _really(state)
    scale = scorer.score(centre).sounding.mix_thirds[:2].sum()  # type: ignore[index]
    changes, errors = [], []
    for track, options in enumerate(catalogue):
        for option in (0, len(options.placements) // 2, len(options.placements) - 1):
            moved = state.copy()
            moved[track] = option
            foretold = (met[track][option] - met[track][state[track]])[-11:] / scale
            change = _really(moved) - before
            changes.append(change)
            errors.append(foretold - change)
    assert np.std(errors) < 0.35 * np.std(changes)
    assert np.abs(changes).max() > 0.002


def test_pairs_count_once(small_judge: Judge) -> None:
    """Costs around the state that was mixed are those of the real whole mix, lows and all."""
    tables, scorer = small_judge.at({})
    catalogue = tables.around([scorer.starts], np.random.default_rng(0), exact=True)
    state = np.array([min(1, len(o.placements) - 1) for o in catalogue])
    ground = Ground(tables, scorer, catalogue, state, known={})
    row = mix_row(scorer.scene, ground.scored.sounding)
    np.testing.assert_allclose(ground.around(state).row(state)[3:], row[3:], rtol=1e-9)
    # elsewhere the same mix is foretold from two sides to within second order of one move
    other = state.copy()
    other[0] = 0
    first, second = ground.around(state).row(other), ground.around(other).row(other)
    np.testing.assert_allclose(first[-11:], second[-11:], rtol=1e-3)
