"""What placements have in all, over the whole passage, early and late.

*Conventions*: covariances are LL, RR, Re(L conj R), Im(L conj R), 39 bands unless said otherwise.

`covariances`: of options by look-up. `totals`: early and late energy over the passage.
`share_out`: measured covariances shared between early and late as a model says.
"""

from __future__ import annotations

import numpy as np

from placer.placing.table import TrackTable
from sim.decibel import FloatArray


def totals(
    table: TrackTable,
    weights: FloatArray,
    variants: np.ndarray,
    gains: tuple[FloatArray, FloatArray],
) -> tuple[FloatArray, FloatArray]:
    """Early and late covariances of options over the passage, relative to the source's power.

    Measured as far as the table has heard the passage: all of a dry track's low bands at exact
    seats; of a recorded track the sum of both, which its fit shares out.

    Parameters
    ----------
    table : TrackTable
    weights : (n, 4, P) FloatArray
        From `layout.covariance_weights`.
    variants : (n,) int ndarray
        Into the table.
    gains : pair of (n, 4, 39) FloatArray
        Early and late covariances relative to the source's excitation.

    Returns
    -------
    pair of (n, 4, 39) FloatArray
        The first may be the given one.
    """
    early, late = gains
    source = table.source
    if table.recorded is not None:
        whole = covariances(weights, table.recorded.whole, variants)
        near, far = early * source.envelope.mean(-1), late * source.late_envelope.mean(-1)
        shared = share_out(*(np.moveaxis(part, 1, 0) for part in (whole, near, far)))
        power = np.where(source.power > 0.0, source.power, np.inf)
        early, late = (np.moveaxis(part / power, 0, 1).astype(np.float32) for part in shared)
        return early, late
    whole_late = late * source.late_part.astype(np.float32)
    if table.heard is None:
        return early, whole_late
    early = early.copy()
    for total, grams in ((early, table.heard.early), (whole_late, table.heard.late)):
        total[..., : grams.shape[-1]] = covariances(weights, grams, variants)
    return early, whole_late


def covariances(weights: FloatArray, gram: FloatArray, variants: np.ndarray) -> FloatArray:
    """Quadratic forms, one variant after the other: (n, 4, P) and (V, P, B) to (n, 4, B)."""
    result = np.empty((*weights.shape[:2], gram.shape[-1]), dtype=np.float32)
    for variant in np.unique(variants):
        chosen = np.flatnonzero(variants == variant)
        result[chosen] = weights[chosen] @ gram[variant]
    return _possible(result)


def _possible(covariances: FloatArray) -> FloatArray:
    """Covariances that two signals can have: no negative energy, no coherence above 1.

    Grams that were fitted (`placer.placing.recorded.split`) or rounded may miss that by a little.
    """
    energies = np.maximum(covariances[:, :2], 0.0)
    most = 0.999 * np.sqrt(energies[:, 0] * energies[:, 1])
    size = np.hypot(covariances[:, 2], covariances[:, 3])
    shrink = np.minimum(1.0, most / np.maximum(size, 1e-30))
    covariances[:, :2] = energies
    covariances[:, 2:] *= shrink[:, None]
    return covariances


def share_out(
    whole: FloatArray, early: FloatArray, late: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Share measured covariances between early and late as a model of both does.

    The energy of each side is shared in the model's proportion, so that neither part is negative
    and a side that is silent in both decides nothing. The late part keeps the model's coherence;
    what is left of the cross terms is early as far as the early energies can carry it.

    Parameters
    ----------
    whole, early, late : (4, ...) FloatArray
        LL, RR, Re(L conj R), Im(L conj R): measured, and the model's two parts.

    Returns
    -------
    early, late : (4, ...) float32 FloatArray
        Their sum is `whole`.
    """
    modelled = early[:2] + late[:2]
    share = late[:2] / np.maximum(modelled, 1e-30)
    sides = whole[:2] * share
    model_size = np.sqrt(late[0] * late[1])
    coherence = late[2:] / np.where(model_size > 0.0, model_size, np.inf)
    cross = whole[2:] - coherence * np.sqrt(sides[0] * sides[1])
    most = np.sqrt(np.prod(whole[:2] - sides, axis=0))
    size = np.hypot(cross[0], cross[1])
    cross = cross * np.minimum(1.0, most / np.maximum(size, 1e-30))
    near = np.concatenate([whole[:2] - sides, cross])
    far = np.concatenate([sides, whole[2:] - cross])
    return near.astype(np.float32), far.astype(np.float32)
