"""Which channels a track brings, and how a placement mixes them down to left and right.

*Conventions*: a track's channels are its microphone positions in order, each mono (one channel)
or stereo (left, right). A placement becomes a real (2, channel) matrix, so the placed stem is
that matrix times the channels: linear, no filter.

`Layout`: positions and their channel counts. `stereo_matrices`, `stereo_matrix`: placements to
matrices.
`covariance_weights`: the same matrix as weights on packed Gram entries (`placement.measured`).

Sources
-------
Constant-power pan law (sine and cosine) and the mid/side width matrix: common practice, no source.
The tree's centre goes to both sides equally, each -3 dB: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from placer.cue.records import DRY_POSITIONS, OFF_DB, Placement
from sim.decibel import FloatArray, amplitude


@dataclass(frozen=True, slots=True)
class Layout:
    """Channels of one track.

    Attributes
    ----------
    positions : names of the microphone positions
    channels : 1 or 2 for each position
    """

    positions: tuple[str, ...]
    channels: tuple[int, ...]

    @property
    def count(self) -> int:
        """Number of channels in all."""
        return sum(self.channels)

    @property
    def turns(self) -> tuple[bool, ...]:
        """Whether each position turns with the pan: all but the hall, which keeps both sides."""
        far = [name.lower() in FAR_NAMES for name in self.positions]
        return tuple(all(far) or not one for one in far)


FAR_NAMES = ("hall", "ambient", "room", "far", "surround")
"""Positions that keep both sides of the room while the others turn (`Layout.turns`)."""

SIDE_METRES, WIDEST_SIDE = 11.0, 0.7
"""m to the side at which a simulated close microphone would be heard from one loudspeaker alone,
and how far to a side it goes (common practice, no source)."""

DRY_LAYOUT = Layout(positions=DRY_POSITIONS, channels=(1, 2, 2, 2))
"""Close mono; tree, outriggers and hall as stereo pairs (the tree's centre folded in)."""

DRY_FOLD: FloatArray = np.array(
    [
        # close, tree L, C, R, outriggers L, R, hall L, R
        [1, 0, 0, 0, 0, 0, 0, 0],
        [0, 1, math.sqrt(0.5), 0, 0, 0, 0, 0],
        [0, 0, math.sqrt(0.5), 1, 0, 0, 0, 0],
        [0, 0, 0, 0, 1, 0, 0, 0],
        [0, 0, 0, 0, 0, 1, 0, 0],
        [0, 0, 0, 0, 0, 0, 1, 0],
        [0, 0, 0, 0, 0, 0, 0, 1],
    ],
    dtype=float,
)
"""Eight simulated microphones folded to the seven channels of `DRY_LAYOUT`."""


def pan_gains(pan: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Left and right amplitude of the constant-power pan law, pan from -1 to 1, elementwise.

    Examples
    --------
    >>> [round(float(g), 4) for g in pan_gains(np.array(0.0))]
    [0.7071, 0.7071]
    """
    angle = (np.asarray(pan) + 1.0) * (math.pi / 4.0)
    return np.cos(angle), np.sin(angle)


def seat_side(seat: tuple[float, float] | None) -> float:
    """Side from -1 to 1 that a close microphone is heard from: that of its seat.

    Examples
    --------
    >>> seat_side((5.5, 3.0)), seat_side((-20.0, 3.0)), seat_side(None)
    (0.5, -0.7, 0.0)
    """
    return 0.0 if seat is None else max(-WIDEST_SIDE, min(WIDEST_SIDE, seat[0] / SIDE_METRES))


def stereo_matrices(
    layout: Layout, side: FloatArray, *, blend_db: FloatArray, pan: FloatArray, width: FloatArray
) -> FloatArray:
    """Matrices from a track's channels to left and right, one a placement.

    A mono position stands at its own side: in the middle, or, where it is simulated, at the side of
    the seat. Width scales the distance from the middle of every position; pan then turns them all
    but the hall's.

    Parameters
    ----------
    layout : Layout
        The track's channels.
    side : (n,) FloatArray
        From `seat_side`.
    blend_db : (n, position) FloatArray
        Gain of each position; `OFF_DB` or less is off.
    pan, width : (n,) FloatArray

    Returns
    -------
    (n, 2, channel) FloatArray
        Real amplitude gains; a position that is off contributes zeros.
    """
    gains = np.where(blend_db <= OFF_DB, 0.0, amplitude(np.asarray(blend_db, float)))
    same, other = 0.5 * (1.0 + width), 0.5 * (1.0 - width)
    placed = np.stack([np.stack([same, other], -1), np.stack([other, same], -1)], 1)
    single = placed @ np.stack(pan_gains(side), -1)[..., None]
    turned = math.sqrt(2.0) * np.stack(pan_gains(pan), -1)
    parts = []
    for gain, channels, turns in zip(gains.T, layout.channels, layout.turns, strict=True):
        balance = turned if turns else np.ones_like(turned)
        parts.append((gain[:, None] * balance)[..., None] * (single if channels == 1 else placed))
    return np.concatenate(parts, axis=-1)


def stereo_matrix(layout: Layout, placement: Placement) -> FloatArray:
    """Matrix (2, channel) of one placement; see `stereo_matrices`."""
    found: FloatArray = stereo_matrices(
        layout,
        np.array([seat_side(placement.seat)]),
        blend_db=np.array([placement.blend_db]),
        pan=np.array([placement.pan]),
        width=np.array([placement.width]),
    )[0]
    return found


def pack_gram(gram: np.ndarray) -> FloatArray:
    """Pack a Hermitian Gram matrix into as many reals as it has entries.

    Parameters
    ----------
    gram : (channel, channel, ...) complex ndarray
        Hermitian in the first two axes.

    Returns
    -------
    (channel * channel, ...) FloatArray
        Upper triangle's real parts (diagonal first within each row), then the imaginary parts
        above the diagonal.
    """
    rows, columns = np.triu_indices(gram.shape[0])
    strict_rows, strict_columns = np.triu_indices(gram.shape[0], 1)
    return np.concatenate([gram[rows, columns].real, gram[strict_rows, strict_columns].imag])


def covariance_weights(matrix: FloatArray) -> FloatArray:
    """Weights that turn a packed Gram matrix into LL, RR, Re(L conj R), Im(L conj R).

    Parameters
    ----------
    matrix : (..., 2, channel) FloatArray
        One or many mixing matrices.

    Returns
    -------
    (..., 4, channel * channel) FloatArray
        `weights @ pack_gram(G)` equals the covariance of `matrix @ channels`.
    """
    left, right = matrix[..., 0, :], matrix[..., 1, :]
    rows, columns = np.triu_indices(matrix.shape[-1])
    strict = rows != columns
    twice = np.where(strict, 2.0, 1.0)
    zeros = np.zeros_like(left[..., columns[strict]])

    def real_part(a: FloatArray, b: FloatArray) -> FloatArray:
        return 0.5 * twice * (a[..., rows] * b[..., columns] + a[..., columns] * b[..., rows])

    imaginary = (
        left[..., rows[strict]] * right[..., columns[strict]]
        - left[..., columns[strict]] * right[..., rows[strict]]
    )
    return np.stack(
        [
            np.concatenate([real_part(left, left), zeros], axis=-1),
            np.concatenate([real_part(right, right), zeros], axis=-1),
            np.concatenate([real_part(left, right), zeros], axis=-1),
            np.concatenate([np.zeros_like(left[..., rows]), imaginary], axis=-1),
        ],
        axis=-2,
    )
