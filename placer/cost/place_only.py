"""What a change of place alone does: band energies as in the reference, the rest as it is.

A placement that makes a layer brighter or darker would be heard through the others by its tone. The
cost of audibility therefore sees each band of a layer at the energy that it has in the reference;
what differs is the share between left and right, early and late, and their phases.

*Conventions*: energies are LL + RR of early and late together, the mean over frames. What is given
as (n, 4, B, K), of options of one track or of n tracks, are coefficients on K templates, and their
level (B, K) or (n, B, K) is the mean of each template over frames; or measured frames, and their
level (F,) is the share of time of each. A band that is silent in the reference, or in the option
itself, stays silent.

`band_energy`: energies of bands. `place_only`: the same sound with those of the reference.
"""

from __future__ import annotations

import numpy as np

from sim.decibel import FloatArray


def band_energy(early: FloatArray, late: FloatArray, level: FloatArray) -> FloatArray:
    """Mean energies (n, B) of bands."""
    both = np.asarray(early[:, :2], float).sum(1) + np.asarray(late[:, :2], float).sum(1)
    energies: FloatArray = (both * level).sum(-1)
    return energies


def place_only(
    early: FloatArray, late: FloatArray, level: FloatArray, reference: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Scale sound so that each band has the energy of the reference.

    Parameters
    ----------
    reference : (B,) or (n, B) FloatArray
        From `band_energy`.

    Returns
    -------
    early, late : (n, 4, B, K) FloatArray
        In the precision of what was given.
    """
    energies = band_energy(early, late, level)
    sounds = (energies > 0.0) & (reference > 0.0)
    scale = np.where(sounds, reference / np.where(sounds, energies, 1.0), 0.0)
    by = scale[:, None, :, None].astype(early.dtype)
    return early * by, late * by
