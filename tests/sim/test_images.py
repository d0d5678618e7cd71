"""Images lie where mirrors put them and lose what the walls take."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from sim.images import REFLECTION_OCTAVES, WALLS, lattice, material

DIMENSIONS = (7.0, 9.0, 4.0)
ABSORPTION = tuple(
    tuple(0.05 + 0.04 * wall + 0.01 * octave for octave in range(len(REFLECTION_OCTAVES)))
    for wall in range(len(WALLS))
)


def mirrored(source: np.ndarray, most: int) -> dict[tuple[float, ...], np.ndarray]:
    """Images by unfolding one axis at a time: position -> pressure factor per octave."""
    walls = np.sqrt(1.0 - np.asarray(ABSORPTION))
    axes = []
    for axis, side in enumerate(DIMENSIONS):
        low, high = walls[2 * axis], walls[2 * axis + 1]
        found = [(source[axis], np.ones(8), 0)]
        for first in (0, 1):  # which wall is met first on the way out
            place, factor = source[axis], np.ones(8)
            for step in range(most):
                wall = (first + step) % 2
                place = -place if wall == 0 else 2.0 * side - place
                factor = factor * (low if wall == 0 else high)
                found.append((place, factor, step + 1))
        axes.append(found)
    images = {}
    for x, y, z in product(*axes):
        if x[2] + y[2] + z[2] <= most:
            place = tuple(np.round([x[0], y[0], z[0]], 6))
            images[place] = x[1] * y[1] * z[1]
    return images


def test_lattice_is_the_unfolded_room() -> None:
    """Every image to order 4 stands where repeated mirroring puts it, with its walls' loss."""
    source = np.array([2.3, 5.1, 1.2])
    expected = mirrored(source, 4)
    found = lattice(DIMENSIONS, ABSORPTION, order=4)
    places = found.signs * source + found.shifts
    assert len(places) == len(expected)
    for place, damping in zip(places, found.damping, strict=True):
        # the engine works in single precision
        np.testing.assert_allclose(damping, expected[tuple(np.round(place, 6))], rtol=2e-6)


def test_source_comes_first() -> None:
    """The first image is the source itself, undamped."""
    found = lattice(DIMENSIONS, ABSORPTION, order=2)
    assert found.orders[0] == 0
    np.testing.assert_array_equal(found.signs[0], 1.0)
    np.testing.assert_array_equal(found.shifts[0], 0.0)
    np.testing.assert_allclose(found.damping[0], 1.0)


def test_reach_leaves_nothing_out() -> None:
    """A list by distance holds every image of a much longer list that is near enough."""
    near = lattice(DIMENSIONS, ABSORPTION, reach=24.0)
    far = lattice(DIMENSIONS, ABSORPTION, order=16)
    source, listener = np.array([6.8, 0.3, 0.2]), np.array([0.3, 8.7, 3.8])

    def within(images: object) -> list[tuple[float, ...]]:
        places = images.signs * source + images.shifts  # type: ignore[attr-defined]
        kept = places[np.linalg.norm(places - listener, axis=1) < 24.0]
        return sorted(map(tuple, np.round(kept, 6)))

    assert within(near) == within(far)
    assert len(near.orders) < len(far.orders)


def test_materials_by_name() -> None:
    """A material has a coefficient in each band; a stage floor absorbs 10 % at 125 Hz."""
    floor = material("stage_floor")
    assert len(floor) == len(REFLECTION_OCTAVES)
    assert floor[0] == pytest.approx(0.10)
    assert floor[-1] == floor[-2]


def test_unknown_material() -> None:
    """A misspelt material is answered with the nearest names."""
    with pytest.raises(ValueError, match=r"'stage_flor' is not known; nearest: stage_floor"):
        material("stage_flor")
