"""How far the tool's reference mix lies from the mix that the composer has made.

Only the analysed passage is heard, once. Late energy of a finished mix is told from early energy by
a fit: the passage's energy over time, band by band, as a sum of the reference's early and late
energy over time, each with a gain of its own.

*Conventions*: positive figures say that the composer's mix has more.

`mix_distance`: the figures. `distance_lines`: the same in words, with one line of advice.

Sources
-------
ITU-R BS.1770-5: loudness. ISO 3382-1: early is within 80 ms of the direct sound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from placer.audio.envelopes import BandFilters, band_filters, spectra
from placer.audio.files import read_stem
from placer.audio.loudness import integrated_loudness
from placer.cue.records import Cue, Track
from placer.placement.layout import stereo_matrix
from placer.placement.measured import fitted_energies
from placer.placement.options import place_of
from placer.placement.passages import read_passage
from placer.placement.positions import sound_of
from sim.bands import ERB_CENTRES
from sim.decibel import FLOOR_DB, FloatArray, amplitude, energy_db

BANDS = (250.0, 5000.0)
"""Hz, where early and late sound can be told apart in a mix: below, notes ring as long as rooms."""
MOST_DB = 20.0
"""A fit that leaves one part empty says no more than this."""
ALIKE_DB = 2.0
"""Differences below it need no advice (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class MixDistance:
    """What the composer's mix has more of than the reference.

    Attributes
    ----------
    loudness_lu : LU
    width_db : energy of the sides against the middle, dB
    late_db : late energy against early energy, dB; None where no track is placed in a room
    """

    loudness_lu: float
    width_db: float
    late_db: float | None


def mix_distance(cue: Cue, span: tuple[float, float]) -> MixDistance:
    """Measure the composer's mix against the reference in one passage.

    Parameters
    ----------
    cue : Cue
        With `compare`.
    span : (start, end) in s

    Raises
    ------
    AudioError
        A file cannot be read.
    ValueError
        The cue has no `compare`.
    """
    if cue.compare is None:
        raise ValueError("the cue names no mix to compare")
    own = read_stem(cue.compare, cue.sample_rate, span=span).samples
    own = np.broadcast_to(own, (2, own.shape[1]))
    early, late = np.zeros(own.shape), np.zeros(own.shape)
    for track in cue.tracks:
        near, far = _placed(cue, track, span)
        early += near
        late += far
    reference = early + late
    loudness = [integrated_loudness(sound, cue.sample_rate) for sound in (own, reference)]
    return MixDistance(
        loudness_lu=loudness[0] - loudness[1],
        width_db=_width_db(own) - _width_db(reference),
        late_db=_late_db(own, early, late, cue.sample_rate) if late.any() else None,
    )


def _placed(cue: Cue, track: Track, span: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Early and late sound of one track in the reference, (2, frame) each; a recording is early."""
    passage = read_passage(cue, track, span)
    seat, aligned = place_of(track.start)
    sound = sound_of(cue, track, passage.layout, passage.samples, seat=seat, aligned=aligned)
    matrix = stereo_matrix(passage.layout, track.start)
    early = matrix @ sound.early
    if sound.late is None:
        return early, np.zeros_like(early)
    late = matrix @ sound.late
    target = integrated_loudness(passage.samples, cue.sample_rate)
    loudness = integrated_loudness(early + late, cue.sample_rate)
    gain = 1.0 if min(target, loudness) <= FLOOR_DB else float(amplitude(target - loudness))
    return gain * early, gain * late


def _width_db(sound: FloatArray) -> float:
    """Energy of the difference of left and right against that of their sum, dB."""
    middle, sides = sound[0] + sound[1], sound[0] - sound[1]
    whole = np.sum(middle**2) + np.sum(sides**2)
    floor = 10.0 ** (-2.0 * MOST_DB / 10.0) * whole + 1e-30
    return float(energy_db(np.sum(sides**2) + floor) - energy_db(np.sum(middle**2) + floor))


def _late_db(own: FloatArray, early: FloatArray, late: FloatArray, sample_rate: int) -> float:
    """Gain of late against early energy that brings the reference to the composer's mix, dB.

    The same fit of the reference to its own parts is taken off: where early and late sound meet in
    phase, it is not quite 0.
    """
    filters = band_filters(sample_rate)
    near, far = _energies(early, filters), _energies(late, filters)
    found = []
    for sound in (own, early + late):
        whole = _energies(sound, filters)
        a, b = fitted_energies(whole[None], np.stack([near, far], axis=1))[0].T
        used = (BANDS[0] <= ERB_CENTRES) & (BANDS[1] >= ERB_CENTRES) & (a + b > 0.0)
        gain = np.clip(energy_db(b[used]) - energy_db(a[used]), -MOST_DB, MOST_DB)
        found.append(np.average(gain, weights=np.sqrt(whole.mean(axis=1)[used] + 1e-30)))
    return float(found[0] - found[1])


def _energies(sound: FloatArray, filters: BandFilters) -> FloatArray:
    """Energy of both sides in each band and frame, (39, frame)."""
    power = np.square(np.abs(spectra(np.asarray(sound, np.float32), filters))).sum(axis=0)
    energies: FloatArray = filters.excitation @ power.T
    return energies


def distance_lines(name: str, found: MixDistance) -> list[str]:
    """Say how far the reference lies from the composer's mix, and in another line what to do.

    Parameters
    ----------
    name : str
        Of the composer's file.
    """
    parts = [
        _more(found.loudness_lu, "LU", "louder", "quieter"),
        _more(found.width_db, "dB", "wider", "narrower"),
    ]
    if found.late_db is not None:
        parts.append(_more(found.late_db, "dB", "more late energy", "less late energy"))
    return [f"your mix ({name}) against the reference: {', '.join(parts)}", _advice(found)]


def _more(value: float, unit: str, above: str, below: str) -> str:
    return f"{abs(value):.1f} {unit} {above if value >= 0.0 else below}"


def _advice(found: MixDistance) -> str:
    """One line for the largest difference; loudness is matched before anything is listened to."""
    late = found.late_db or 0.0
    if max(abs(late), abs(found.width_db)) < ALIKE_DB:
        return "  the reference starts close to your mix"
    if abs(late) >= abs(found.width_db):
        if late > 0.0:
            return (
                "  your mix has more room: lower close in the tracks' blend, or choose a longer "
                "[room], so that the search starts where you are"
            )
        return (
            "  your mix has less room: raise close in the tracks' blend, or choose a shorter "
            "[room], so that the search starts where you are"
        )
    if found.width_db > 0.0:
        return (
            "  your mix is wider: give tracks that you pan a seat or a pan of their own, so that "
            "the search starts where you are"
        )
    return (
        "  your mix is narrower: give tracks width below 1, or seats nearer to the middle, so that "
        "the search starts where you are"
    )
