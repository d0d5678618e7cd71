"""What a placement really sounds like: responses, convolution and loudness, no look-up.

*Conventions*: audio (channel, frame); a placed stem is stereo and as long as the analysed passage.
Covariances are LL, RR, Re(L conj R), Im(L conj R) in 39 bands.

`Stems`: the passage of each track. `stereo_responses`: a dry track's placement as one pair of
impulse responses a source channel. `place`: audio and band energies of one placed track.

Sources
-------
ITU-R BS.1770-5 for the loudness a placed track is set back to.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import oaconvolve

from placer.audio.envelopes import (
    BandFilters,
    covariances,
    low_thirds,
    plain_covariance,
    spectra,
)
from placer.audio.loudness import integrated_loudness
from placer.cue.records import Cue, Placement, Track
from placer.placing.dry import close_delay, sources_at
from placer.placement.layout import DRY_FOLD, DRY_LAYOUT, Layout, stereo_matrix
from placer.placing.options import measure
from placer.placing.recorded import delayed
from placer.placing.table import TrackTable
from placer.placing.totals import share_out
from sim.decibel import FloatArray, amplitude
from sim.responses import simulate

UNMEASURABLE_LUFS = -100.0
"""Below this nothing has passed the absolute gate of -70 LUFS."""


@dataclass(frozen=True, slots=True)
class Placed:
    """One placed track at its reference loudness.

    Attributes
    ----------
    audio : (2, frame) float32
    make_up_db : gain that brought it there
    early, late : (4, 39, F) excitation covariances
    early_total, late_total : (4, 39) long-term covariances in bands that do not overlap
    thirds : (4, 11) long-term covariances in the low third-octave bands
    """

    audio: FloatArray
    make_up_db: float
    early: FloatArray
    late: FloatArray
    early_total: FloatArray
    late_total: FloatArray
    thirds: FloatArray

    @property
    def bare(self) -> Placed:
        """The same without sound and without any frame: long-term figures alone."""
        none = np.zeros((4, self.early.shape[1], 0), dtype=np.float32)
        return replace(self, audio=np.zeros((2, 0), dtype=np.float32), early=none, late=none)


def response_seed(seed: int, track: Track) -> int:
    """Seed of a track's late field: from the cue's seed and the track's name, not from order."""
    return int.from_bytes(f"{seed}/{track.name}".encode(), "big") % (2**31 - 1)


def channel_responses(
    cue: Cue, track: Track, placement: Placement, channels: int
) -> list[tuple[FloatArray, FloatArray]]:
    """Early and late responses of the seven dry channels, one pair for each source channel.

    Returns
    -------
    list of (early, late), each (7, tap) float32
        The close channel delayed where the placement is aligned.
    """
    if placement.seat is None:
        raise ValueError(f"track {track.name} needs a seat to have responses")
    microphones = (cue.arrays.close_at(placement.seat), *cue.arrays.shared())
    seed = response_seed(cue.search.seed, track)
    found = [
        simulate(cue.room, source, microphones, sample_rate=cue.sample_rate, seed=seed + index)
        for index, source in enumerate(sources_at(cue.room, track, placement.seat, channels))
    ]
    delay = close_delay(np.mean([one.direct_delay for one in found], axis=0))
    frames = round(delay * cue.sample_rate) if placement.aligned else 0
    return [
        tuple(  # type: ignore[misc]
            delayed((DRY_FOLD @ part).astype(np.float32), 1, frames)
            for part in (one.early, one.late)
        )
        for one in found
    ]


def place_dry(
    samples: FloatArray, responses: list[tuple[FloatArray, FloatArray]], matrix: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Convolve a dry stem with its placement.

    Parameters
    ----------
    samples : (1 or 2, frame) FloatArray
    responses : list of (early, late)
        One pair of (7, tap) arrays for each stem channel.
    matrix : (2, 7) FloatArray
        From `layout.stereo_matrix`.

    Returns
    -------
    early, late : (2, frame) float32 FloatArray
        As long as the stem.
    """
    frames = samples.shape[-1]
    total = []
    for part in (0, 1):
        sides = np.zeros((2, frames), dtype=np.float32)
        for channel, pair in zip(samples, responses, strict=True):
            response = _sounding(matrix @ pair[part]).astype(np.float32)
            sides += oaconvolve(channel[None].astype(np.float32), response, axes=-1)[:, :frames]
        total.append(sides)
    return total[0], total[1]


def _sounding(response: FloatArray) -> FloatArray:
    """A response (2, tap) without the silence at its end: an early part is short."""
    heard = np.flatnonzero(response.any(axis=0))
    return response[:, : heard[-1] + 1 if heard.size else 1]


def set_back(audio: FloatArray, sample_rate: int, target_lufs: float) -> float:
    """Gain in dB that sets audio to a loudness; 0 where either is below every gate."""
    loudness = integrated_loudness(audio, sample_rate)
    if min(loudness, target_lufs) < UNMEASURABLE_LUFS:
        return 0.0
    return target_lufs - loudness


def placed_from_dry(
    early: FloatArray, late: FloatArray, make_up_db: float, filters: BandFilters
) -> Placed:
    """Band energies of a placed dry track from its early and late sound."""
    gain = np.float32(amplitude(make_up_db))
    audio = gain * (early + late)
    early_spectrum, late_spectrum = spectra(gain * early, filters), spectra(gain * late, filters)
    return Placed(
        audio=audio,
        make_up_db=make_up_db,
        early=covariances(early_spectrum, filters),
        late=covariances(late_spectrum, filters),
        early_total=plain_covariance(early_spectrum, filters.plain),
        late_total=plain_covariance(late_spectrum, filters.plain),
        thirds=low_thirds(audio, filters.sample_rate),
    )


def placed_from_recorded(
    track: Track,
    table: TrackTable,
    placement: Placement,
    *,
    audio: FloatArray,
    make_up_db: float,
    filters: BandFilters,
) -> Placed:
    """Band energies of a placed recorded track: measured in all, late as the table's fit says."""
    spectrum = spectra(audio, filters)
    whole = covariances(spectrum, filters)
    totals = plain_covariance(spectrum, filters.plain)
    looked_up = measure(track, table, (placement,))
    source = table.source
    early, late = share_out(
        whole,
        looked_up.early[0][..., None] * source.envelope,
        looked_up.late[0][..., None] * source.late_envelope,
    )
    early_total, late_total = share_out(
        totals,
        looked_up.early[0] * source.envelope.mean(-1),
        looked_up.late[0] * source.late_envelope.mean(-1),
    )
    return Placed(
        audio=audio,
        make_up_db=make_up_db,
        early=early,
        late=late,
        early_total=early_total,
        late_total=late_total,
        thirds=low_thirds(audio, filters.sample_rate),
    )


def recorded_audio(
    samples: FloatArray, layout: Layout, placement: Placement, close_frames: int
) -> FloatArray:
    """Mix a recorded track's channels by its placement: (channel, frame) to (2, frame)."""
    if placement.aligned and close_frames > 0:
        samples = delayed(samples, layout.channels[0], close_frames)
    # in single precision throughout: twice as much for all channels would be the largest array
    mixed: FloatArray = stereo_matrix(layout, placement).astype(np.float32) @ samples
    return mixed


__all__ = [
    "DRY_LAYOUT",
    "Placed",
    "channel_responses",
    "place_dry",
    "placed_from_dry",
    "placed_from_recorded",
    "recorded_audio",
    "response_seed",
    "set_back",
]
