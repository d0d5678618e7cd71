"""What the gates of BS.1770 make of a placement's loudness, without its audio.

A layer that comes and goes is measured on its loud moments only. Near and dry it falls quiet
between them; far and wet its tail goes on, counts, and lowers the mean: the same energy reads less
loud, by up to some tenths of a dB.

*Conventions*: K-weighted powers in blocks of 400 ms, one every 100 ms; gains of options (n, 39) are
relative to the source's band powers.

`SourceBlocks`: a source's power in those blocks. `gated`: mean power of what passes both gates.
`placed_loudness`: that of options of a track.

Sources
-------
ITU-R BS.1770-5, Annex 1: blocks and both gates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from placer.audio.envelopes import WINDOW_SECONDS
from placer.audio.loudness import (
    ABSOLUTE_GATE_LUFS,
    MOMENTARY_STEPS,
    OFFSET_DB,
    RELATIVE_GATE_LU,
    STEP_SECONDS,
    k_weighting_response,
)
from placer.placing.table import SourceSound, TrackTable
from sim.bands import erb_edges
from sim.decibel import FloatArray, energy

HOP = 0.5 * WINDOW_SECONDS
"""From one frame of the table's envelopes to the next, s."""

LENGTH = MOMENTARY_STEPS * STEP_SECONDS
"""Of a block, s."""


@dataclass(frozen=True, slots=True)
class SourceBlocks:
    """K-weighted power of a source in blocks, by band.

    Attributes
    ----------
    early, late : (39, block) of the source, and of it after the room's late decay
    steady : (39,) what the former has in the mean over the passage
    """

    early: FloatArray
    late: FloatArray
    steady: FloatArray

    def of(self, early: FloatArray, late: FloatArray, first: int = 0) -> FloatArray:
        """Power (n, block) of options from their gains (n, 39) in the bands from `first` on."""
        some = slice(first, None)
        power: FloatArray = early[:, some] @ self.early[some] + late[:, some] @ self.late[some]
        return power


def source_blocks(source: SourceSound) -> SourceBlocks:
    """Sum a source's envelopes into blocks."""
    edges = erb_edges()
    mean = source.envelope.mean(-1)
    steady = k_weighting_response(0.5 * (edges[:-1] + edges[1:])) * source.power
    weight = np.where(mean > 0.0, steady / np.where(mean > 0.0, mean, 1.0), 0.0)[:, None]
    frames = source.envelope.shape[-1]
    shares = block_shares(frames, HOP, block_count(frames))
    return SourceBlocks(
        early=weight * (source.envelope @ shares),
        late=weight * (source.late_envelope @ shares),
        steady=steady,
    )


def block_count(frames: int) -> int:
    """How many blocks a passage has that is so many hops of the table's envelopes long."""
    return max(1, int((frames * HOP - LENGTH) / STEP_SECONDS + 1e-9) + 1)


def block_shares(frames: int, hop: float, count: int) -> FloatArray:
    """Weights (frame, block) of short-time frames, `hop` s apart, in the mean of each block."""
    begins = STEP_SECONDS * np.arange(count)
    # a window's energy lies around its middle, half a hop after its hop begins
    starts = hop * (np.arange(frames) + 0.5)[:, None]
    inside = np.minimum(starts + hop, begins + LENGTH) - np.maximum(starts, begins)
    weights = np.maximum(inside, 0.0)
    shares: FloatArray = weights / np.maximum(weights.sum(0), 1e-30)
    return shares


def gated(blocks: FloatArray) -> FloatArray:
    """Mean power of the blocks that pass both gates, (n, block) to (n,); 0 where none does."""
    loud = blocks > float(energy(ABSOLUTE_GATE_LUFS - OFFSET_DB))
    loud &= blocks > float(energy(RELATIVE_GATE_LU)) * _mean_where(blocks, loud)[:, None]
    return _mean_where(blocks, loud)


def placed_loudness(
    table: TrackTable,
    sides: FloatArray,
    variants: np.ndarray,
    gains: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Gated K-weighted power of options, measured where the table has heard the passage.

    Parameters
    ----------
    table : TrackTable
    sides : (n, P) FloatArray
        Weights on packed Grams that give left and right together.
    variants : (n,) int ndarray
        Into the table.
    gains : pair of (n, 4, 39) FloatArray
        Early and late covariances relative to the source.

    Returns
    -------
    (n,) FloatArray
    """
    if table.recorded is not None:
        return gated(np.maximum(_looked_up(sides, table.recorded.blocks, variants), 0.0))
    source = source_blocks(table.source)
    early, late = (part[:, 0] + part[:, 1] for part in gains)
    if table.heard is not None:
        low = _looked_up(sides, table.heard.blocks, variants)
        return gated(np.maximum(low + source.of(early, late, table.heard.early.shape[-1]), 0.0))
    whole: FloatArray = np.einsum("np,np->n", sides, table.loudness[variants])
    share = gated(source.of(early, late)) / np.maximum((early + late) @ source.steady, 1e-30)
    return np.asarray(whole * np.where(share > 0.0, share, 1.0))


def _looked_up(sides: FloatArray, blocks: FloatArray, variants: np.ndarray) -> FloatArray:
    """Power of options in blocks, one variant after the other: (n, P) and (V, P, k) to (n, k)."""
    found = np.empty((len(sides), blocks.shape[-1]))
    for variant in np.unique(variants):
        chosen = np.flatnonzero(variants == variant)
        found[chosen] = sides[chosen] @ blocks[variant]
    return found


def _mean_where(values: FloatArray, kept: np.ndarray) -> FloatArray:
    mean: FloatArray = (values * kept).sum(-1) / np.maximum(kept.sum(-1), 1)
    return mean
