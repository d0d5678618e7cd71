"""How the fast cost is compiled, and the records its loops pass on.

*Conventions*: one row an option, its gains (row, B, 16): LL, RR, Re, Im of early energy on the
first template, of early energy on the second, then of late energy on either. Tables are (B, T, F)
in single precision, each band scaled to energy 1 in the reference. Tracks are taken `LANES` at a
time, in scratch arrays of fixed places, so that the compiler can use vector registers. Besides
`placer.compiler` the only file that names the compiler.

`jit`, `part`, `inlined`: how a function is compiled. `formula`, `larger`, `smaller`: how formulas
serve arrays and loops alike. `Tables`: what all candidates share. `Picked`: options that sound.
`Work`, `work`: scratch of one thread. `copy_rows`: one array into another.

Sources
-------
numba (BSD-2-Clause), the compiler.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, NamedTuple, TypeVar

import numba as nb
import numpy as np
from numba.extending import overload, register_jitable

from placer.compiler import jit as jit_in_order

Array = np.ndarray[Any, Any]
Function = TypeVar("Function", bound=Callable[..., Any])
F32: Any = np.float32
LANES = 16
"""Tracks in a vector register of single precision."""
SUMS, MIXED, EARS, HEARD = 16 * LANES, 23 * LANES, 37 * LANES, 49 * LANES
"""Where the parts of `Work.lanes` begin."""
NONE, ONE, LEAST = F32(0.0), F32(1.0), F32(1e-30)
BARE: Any = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}
FAST = {"reassoc", "contract", "arcp", "nsz"}


class Tables(NamedTuple):
    """What all candidates share.

    first, second, weight (B, T, F): the templates, and importance; sums (2, B, T) of weight times
    either template; articulation (T,); ways (B, 2, 4, 4); heads (B, 3, 4, 4): the loudspeakers'
    map at three positions of the head; listening (2,); band (3, B): threshold ratio, cancellation
    limit, floor; starts (T + 1,), members (M,): the other tracks of each track's group;
    pairs (2, B, M): sums of a track's weight times the member's templates; marginal (B, T): sums of
    weight; begins (B + 1,), bearing (N,): the tracks of each band with any, often no more than half
    of them.
    """

    first: Array
    second: Array
    weight: Array
    sums: Array
    articulation: Array
    ways: Array
    heads: Array
    listening: Array
    band: Array
    starts: Array
    members: Array
    pairs: Array
    marginal: Array
    begins: Array
    bearing: Array


class Picked(NamedTuple):
    """Options that sound: tracks (n,), their rows (n,), silent below 0, gains (R, B, 16)."""

    tracks: Array
    rows: Array
    gains: Array


class Work(NamedTuple):
    """Scratch of one thread: total, ears (4, F); track, row (LANES,) in each lane; lanes.

    lanes holds rows of `LANES` numbers: gains (16); from `SUMS` on the masker (4), sums of weight
    times either template (2) and articulation; from `MIXED` on the importance-weighted early (4)
    and late (4) covariances, the part of its late energy that blurs, the masker with that (4) and
    the binaural gain; from `EARS` on, of either way of listening, s0, s1, n0, n1, k and the better
    ear; at `HEARD` what is heard.
    """

    total: Array
    ears: Array
    track: Array
    row: Array
    lanes: Array


jit = partial(jit_in_order, fastmath=FAST)
"""Compile for plain Python to call (`placer.compiler.jit`)."""


def part(function: Any) -> Any:
    """Compile for other compiled functions alone, without what any other caller would need."""
    return nb.njit(function, nogil=True, fastmath=FAST, error_model="numpy", **BARE)


def inlined(function: Any) -> Any:
    """Compile into the caller."""
    return nb.njit(function, nogil=True, fastmath=FAST, error_model="numpy", inline="always")


def formula(function: Function) -> Function:
    """Leave a function of numbers or arrays as it is, and let compiled loops call it too.

    It may use numpy's elementwise functions and, lest single precision be lost, constants of single
    precision only, where loops in single precision call it.
    """
    known: Function = register_jitable(fastmath=FAST, error_model="numpy")(function)
    return known


def larger(one: Any, other: Any) -> Any:
    """The larger of two, elementwise; compiled, one instruction that does not look for NaN."""
    return np.maximum(one, other)


def smaller(one: Any, other: Any) -> Any:
    """The smaller of two, elementwise; compiled, one instruction that does not look for NaN."""
    return np.minimum(one, other)


@overload(larger)
def _larger(one, other):  # type: ignore[no-untyped-def]  # noqa: ARG001
    return lambda one, other: one if one > other else other


@overload(smaller)
def _smaller(one, other):  # type: ignore[no-untyped-def]  # noqa: ARG001
    return lambda one, other: one if one < other else other


@part
def work(frames: int) -> Work:
    """Scratch for one thread."""
    return Work(
        np.zeros((4, frames), F32),
        np.zeros((4, frames), F32),
        np.zeros(LANES, np.int64),
        np.zeros(LANES, np.int64),
        np.zeros(HEARD + LANES, F32),
    )


@part
def copy_rows(source: Array, out: Array) -> None:
    """Copy (n, m) to (n, m): compiles far sooner than assigning to a slice."""
    for n in range(out.shape[0]):
        for m in range(out.shape[1]):
            out[n, m] = source[n, m]
