"""Where the mirror images of a source lie, and what each has lost at the walls.

The only file that knows pyroomacoustics: its image-source engine lists the images of a rectangular
room, and its table of materials (Vorlaender 2008) names the walls. An image of a source at p lies
at `sign * p + shift`, whatever p is, so one list serves every seat and player in a room.

*Conventions*: room coordinates in m with the origin in the lower left hall-side corner; walls in
the order of `WALLS`; octave bands in the order of `REFLECTION_OCTAVES`.

`lattice`: signs, shifts and wall damping of all images up to a distance.
`material`: absorption coefficients of a named wall material.

Sources
-------
Allen & Berkley (1979), J. Acoust. Soc. Am. 65, 943-950: image method of a rectangular room.
Vorlaender (2008), Auralization, Springer: absorption coefficients, as tabled by pyroomacoustics.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]

WALLS = ("left", "right", "front", "back", "floor", "ceiling")
"""Walls of a room: x = 0, x = width, y = 0 (hall side), y = depth, z = 0, z = height."""

REFLECTION_OCTAVES: FloatArray = 125.0 * np.power(2.0, np.arange(8.0))
"""Octave bands in which a reflection is damped, Hz: 125 to 16000."""

ENGINE_RATE = 48000
"""Sample rate that makes the engine's octave bands equal `REFLECTION_OCTAVES`, Hz."""

ENGINE_WALLS = ("west", "east", "south", "north", "floor", "ceiling")
"""What the engine calls `WALLS`."""


@dataclass(frozen=True, slots=True)
class Lattice:
    """Images of any source in one room: position = signs * source + shifts.

    Attributes
    ----------
    signs : (image, 3) FloatArray
        +1 or -1: whether the image is mirrored along an axis.
    shifts : (image, 3) FloatArray
        m.
    damping : (image, octave) FloatArray
        Pressure reflection factor, the product over all walls met.
    orders : (image,) NDArray
        Number of reflections; the first image is the source itself (0).
    """

    signs: FloatArray
    shifts: FloatArray
    damping: FloatArray
    orders: NDArray[np.int64]


def _order_within(dimensions: tuple[float, float, float], reach: float) -> int:
    """Reflection order that holds every image nearer than `reach` m to any point of the room.

    An image of index (a, b, c) is at least |(|a| - 1) W, (|b| - 1) D, (|c| - 1) H| away, and
    |a| + |b| + |c| under that bound is largest by Cauchy and Schwarz.
    """
    return int(3 + np.floor(reach * np.sqrt(np.sum(1.0 / np.square(dimensions)))))


@lru_cache(maxsize=64)
def lattice(
    dimensions: tuple[float, float, float],
    absorption: tuple[tuple[float, ...], ...],
    *,
    reach: float | None = None,
    order: int | None = None,
) -> Lattice:
    """List the images of a rectangular room.

    Parameters
    ----------
    dimensions : (3,) tuple of float
        Width, depth and height in m.
    absorption : (6, octave) tuple of tuples
        Energy absorption coefficients of `WALLS` in `REFLECTION_OCTAVES`.
    reach : float, optional
        Keep every image that can lie nearer than this to any point of the room, m.
    order : int, optional
        Keep every image up to this reflection order instead.

    Returns
    -------
    Lattice
        Sorted by order; index 0 is the source itself.
    """
    if order is None:
        if reach is None:
            raise TypeError("lattice needs reach or order")
        order = _order_within(dimensions, reach)
    engine = _engine(dimensions, absorption, order)
    indices = np.asarray(engine.orders_xyz, dtype=np.int64).T
    signs = np.where(indices % 2 == 0, 1.0, -1.0)
    # an even index moves the source by whole room lengths, an odd one mirrors it first
    shifts = (indices + (indices % 2)) * np.asarray(dimensions)
    orders = np.abs(indices).sum(axis=1)
    keep = np.ones(len(orders), dtype=bool)
    if reach is not None:
        gaps = np.maximum(np.abs(indices) - 1, 0) * np.asarray(dimensions)
        keep = np.linalg.norm(gaps, axis=1) <= reach
    rank = np.argsort(orders[keep], kind="stable")
    damping = np.asarray(engine.damping, dtype=np.float64).T
    found = Lattice(signs[keep][rank], shifts[keep][rank], damping[keep][rank], orders[keep][rank])
    for value in (found.signs, found.shifts, found.damping, found.orders):
        value.flags.writeable = False
    return found


def _engine(
    dimensions: tuple[float, float, float], absorption: tuple[tuple[float, ...], ...], order: int
) -> Any:
    """Return the engine's image list for a source in the middle of the room."""
    import pyroomacoustics as pra  # lazily: importing it takes most of a second

    octaves = REFLECTION_OCTAVES.tolist()
    materials = {
        name: pra.Material({"coeffs": list(values), "center_freqs": octaves})
        for name, values in zip(ENGINE_WALLS, absorption, strict=True)
    }
    room = pra.ShoeBox(
        list(dimensions),
        fs=ENGINE_RATE,
        materials=materials,
        max_order=order,
        air_absorption=False,
    )
    middle = [0.5 * side for side in dimensions]
    room.add_source(middle)
    room.add_microphone(middle)
    room.image_source_model()
    return room.sources[0]


@lru_cache(maxsize=256)
def material(name: str) -> tuple[float, ...]:
    """Absorption coefficients of a named material in `REFLECTION_OCTAVES`.

    Parameters
    ----------
    name : str
        A key of pyroomacoustics' material table, for instance "stage_floor".

    Returns
    -------
    (octave,) tuple of float
        Bands the table leaves out take the value of the nearest band it has.

    Raises
    ------
    ValueError
        If the table has no such material; the message names the nearest ones.
    """
    import difflib

    import pyroomacoustics as pra

    table = pra.materials_absorption_table
    if name not in table:
        near = ", ".join(difflib.get_close_matches(name, table, n=4, cutoff=0.3))
        raise ValueError(f"material {name!r} is not known; nearest: {near or 'hard_surface'}")
    entry = table[name]
    bands = np.log2(np.asarray(entry["center_freqs"], dtype=np.float64))
    values = np.interp(np.log2(REFLECTION_OCTAVES), bands, entry["coeffs"])
    return tuple(float(value) for value in np.clip(values, 0.0, 0.99))
