"""What a change of place alone does: band energies as in the reference, the rest as it is.

A placement that makes a layer brighter or darker would be heard through the others by its tone. The
cost of audibility therefore sees each band of a layer at the energy that it has in the reference;
what differs is the share between left and right, early and late, and their phases.

*Conventions*: energies are LL + RR of early and late together, the mean over frames by
`frame_weight`. A band that is silent in the reference, or in the option itself, stays silent.

`template_energy`, `frame_energy`: band energies of coefficients and of frames. `place_only`: scaled
coefficients of one track's options. `place_only_frames`: the same of measured frames.
"""

from __future__ import annotations

import numpy as np

from sim.decibel import FloatArray


def template_energy(
    early: FloatArray, late: FloatArray, templates: FloatArray, frame_weight: FloatArray
) -> FloatArray:
    """Mean band energies of coefficients.

    Parameters
    ----------
    early, late : (n, 4, B, K) FloatArray
        Coefficients of options of one track, or of n tracks.
    templates : (B, K, F) or (n, B, K, F) FloatArray
    frame_weight : (F,) FloatArray

    Returns
    -------
    (n, B) FloatArray
    """
    both = np.asarray(early[:, :2], float).sum(1) + np.asarray(late[:, :2], float).sum(1)
    energies: FloatArray = (both * (templates @ frame_weight)).sum(-1)
    return energies


def frame_energy(early: FloatArray, late: FloatArray, frame_weight: FloatArray) -> FloatArray:
    """Mean band energies (T, B) of measured frames, early and late (T, 4, B, F)."""
    energies: FloatArray = (early[:, :2].sum(1) + late[:, :2].sum(1)) @ frame_weight
    return energies


def place_only(
    early: FloatArray,
    late: FloatArray,
    templates: FloatArray,
    *,
    frame_weight: FloatArray,
    reference: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Scale coefficients so that each band has the energy of the reference.

    Parameters
    ----------
    early, late : (n, 4, B, K) FloatArray
        Coefficients of options of one track, or of n tracks.
    templates : (B, K, F) or (n, B, K, F) FloatArray
    frame_weight : (F,) FloatArray
    reference : (B,) or (n, B) FloatArray
        From `template_energy`.

    Returns
    -------
    early, late : (n, 4, B, K) FloatArray
        In the precision of what was given.
    """
    scale = _scale(template_energy(early, late, templates, frame_weight), reference)
    by = scale[:, None, :, None].astype(early.dtype)
    return early * by, late * by


def place_only_frames(
    early: FloatArray, late: FloatArray, *, frame_weight: FloatArray, reference: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Scale measured frames so that each band has the energy of the reference.

    Parameters
    ----------
    early, late : (T, 4, B, F) FloatArray
    frame_weight : (F,) FloatArray
    reference : (T, B) FloatArray
        From `frame_energy`.

    Returns
    -------
    early, late : (T, 4, B, F) FloatArray
        In the precision of what was given.
    """
    scale = _scale(frame_energy(early, late, frame_weight), reference)
    by = scale[:, None, :, None].astype(early.dtype)
    return early * by, late * by


def _scale(energies: FloatArray, reference: FloatArray) -> FloatArray:
    """Factors that turn energies into those of the reference, 0 where either is silent."""
    sounds = (energies > 0.0) & (reference > 0.0)
    factors: FloatArray = np.where(sounds, reference / np.where(sounds, energies, 1.0), 0.0)
    return factors
