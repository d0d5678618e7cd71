"""What a rendered file measures from end to end, as a person would check it.

*Conventions*: a stereo file at the cue's rate; levels in dB re full scale squared.

`FileFigures`: levels in thirds, left against right. `measure_file`: from disk, piece by piece.

Sources
-------
IEC 61260-1: third-octave bands, base ten.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from placer.audio.envelopes import band_filters, low_spectra, pair_powers, spectra
from placer.audio.files import open_blocks
from sim.bands import power_weights, third_edges
from sim.decibel import FloatArray, energy_db

THIRDS: FloatArray = 10.0 ** (np.arange(14.0, 43.0) / 10.0)
"""Third-octave centres from 25 Hz to 16 kHz (29 bands), Hz."""

BLOCK = 1 << 19
"""Frames measured at a time: many of the long windows that tell low thirds apart."""


@dataclass(frozen=True, slots=True)
class FileFigures:
    """What one file measures.

    Attributes
    ----------
    thirds_db : (29,) level in third-octave bands, both sides together
    lean_db, low_lean_db : left against right, whole and in the lows
    mono_gain_db : level of the mono sum against both sides together
    """

    thirds_db: FloatArray
    lean_db: float
    low_lean_db: float
    mono_gain_db: float


def measure_file(path: Path, sample_rate: int) -> FileFigures:
    """Measure one rendered stereo file.

    Parameters
    ----------
    path : Path
    sample_rate : int
        Of the file, Hz.

    Returns
    -------
    FileFigures

    Raises
    ------
    AudioError
        The file cannot be read.
    """
    filters = band_filters(sample_rate)
    weights = power_weights(third_edges(THIRDS), filters.frequencies)
    wide, low, frames = np.zeros((3, len(THIRDS))), np.zeros((3, 11)), 0
    with open_blocks(path, sample_rate) as file:
        while (block := file.read(BLOCK)).shape[1]:
            left, right, cross, _ = pair_powers(spectra(block, filters))
            share = block.shape[1]
            wide += share * np.stack([weights @ p.mean(axis=0) for p in (left, right, cross)])
            spectrum, fine = low_spectra(block, sample_rate)
            low += share * np.stack([fine @ p.mean(axis=0) for p in pair_powers(spectrum)[:3]])
            frames += share
    wide[:, :11] = low
    wide /= max(frames, 1)
    left_db, right_db = energy_db(wide[0].sum()), energy_db(wide[1].sum())
    both = wide[:2].sum()
    return FileFigures(
        thirds_db=energy_db(wide[:2].sum(axis=0)),
        lean_db=float(left_db - right_db),
        low_lean_db=float(energy_db(wide[0, :11].sum()) - energy_db(wide[1, :11].sum())),
        mono_gain_db=float(energy_db(both + 2.0 * wide[2].sum()) - energy_db(both)),
    )
