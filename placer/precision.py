"""How numbers that a search compares are kept free of the last digits of a library.

Another version of numpy sums in another order, and its functions may differ in their last bit. A
search compares some hundred thousand costs, so that one last bit sends it another way. Such sums
are therefore made in double precision and kept in single: what the order of a sum changes lies a
hundred million times below what single precision tells apart.

`product`: a matrix product. `settled`: numbers as single precision tells them apart.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from sim.decibel import FloatArray

Array = np.ndarray[Any, Any]


def product(left: Array, right: Array) -> FloatArray:
    """Matrix product (..., i, k) float32 of two matrices, summed in double precision.

    Examples
    --------
    >>> product(np.full((1, 3), 0.1, np.float32), np.full((3, 1), 0.1, np.float32)).dtype
    dtype('float32')
    """
    found: FloatArray = (np.asarray(left, float) @ np.asarray(right, float)).astype(np.float32)
    return found


def settled(values: Array) -> FloatArray:
    """Numbers rounded to single precision, in double.

    Examples
    --------
    >>> float(settled(np.array(0.1)) - settled(np.array(0.1 + 1e-15)))
    0.0
    """
    found: FloatArray = np.asarray(values).astype(np.float32).astype(float)
    return found
