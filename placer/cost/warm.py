"""How the compiled loops are made while stems are read and tables are built.

The first run on a machine compiles for many seconds on one core. A process of its own does so on
the other core and leaves the results in the compiler's disk cache, where this process finds them.

*Conventions*: nothing here can fail a search. Without a writable cache, or if the helper dies, the
search compiles for itself when it comes to that.

`compiled_meanwhile`: start it, and wait for it later. `is_compiled`: whether there is anything to
do. `compile_all`: the work.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import numpy as np

from placer.audio import weigh
from placer.audio.loudness import integrated_loudness
from placer.compiler import forget_stale, is_kept
from placer.cost.fast import Catalogue, Kernel
from placer.cost.kernel_mix import broken_db, costs
from placer.cost.kernel_moves import prepare, remember
from placer.cost.kernel_screen import screen
from placer.cost.landscape import landscape_of
from placer.cost.scene import Envelopes, Scene, Totals
from placer.placement import grams
from sim.bands import ERB_CENTRES

ENTRIES = (weigh.loop, grams.gather, costs, broken_db, remember, prepare, screen)
"""Compiled functions that plain Python calls."""

PROGRAM = "import sys; sys.path[:] = {path!r}; from placer.cost import warm; warm.compile_all()"
"""The helper: modules are those of this process, not of the folder in which it is started, which
may hold the sources of an installed copy."""

LONGEST_WAIT = 120.0
"""Seconds after which the helper is given up."""


def is_compiled() -> bool:
    """Whether the compiler's disk cache holds every entry; true where it cannot hold any."""
    return all(map(is_kept, ENTRIES))


def compile_all() -> None:
    """Run every entry once, in the order in which a search needs them, on next to nothing."""
    integrated_loudness(np.zeros((2, 16), dtype=np.float32), 48000)
    grams.gathered_products(np.zeros((2, 2, 2), dtype=np.complex64), np.zeros(2), 1)
    tracks, bands = 2, len(ERB_CENTRES)
    ones, pairs = np.ones((tracks, bands, 2)), np.ones((tracks, 4, bands))
    totals = Totals(pairs, pairs, pairs, np.ones((tracks, 4, 11)))
    scene = Scene(
        names=("a", "b"),
        articulation=np.zeros(tracks),
        weight=np.ones(tracks),
        group=np.full(tracks, -1),
        movable=np.ones(tracks, dtype=bool),
        foreground=np.ones(tracks, dtype=bool),
        centres=ERB_CENTRES,
        importance=ones / ones[0].size,
        reference=totals,
        elsewhere=np.ones((tracks, 2)),
        loudness=(-23.0, -1.0, -22.0),
    )
    gains = np.ones((tracks, 4, bands, 2))
    envelopes = Envelopes(np.ones((tracks, bands, 2, 2)), gains, gains)
    options = Catalogue(gains, gains, totals, np.zeros(2), np.zeros(2))
    landscape = landscape_of(Kernel(scene, envelopes, threads=1), [options] * tracks)
    state = np.zeros(tracks, dtype=np.int64)
    landscape.cost(state)
    landscape.violation(state)
    landscape.screen(state, 0, np.arange(2))


@contextmanager
def compiled_meanwhile() -> Iterator[Callable[[Callable[[], bool]], None]]:
    """Compile in a process of its own; gives a function that waits for it, or until told to stop.

    What other sources left in the cache is deleted first. Leaving the block ends that process.
    """
    helper: subprocess.Popen[bytes] | None = None
    if sys.executable and not is_compiled():
        forget_stale(ENTRIES)
        with suppress(OSError):
            helper = subprocess.Popen(
                [sys.executable, "-c", PROGRAM.format(path=sys.path)],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )

    def wait(stop: Callable[[], bool]) -> None:
        begun = time.monotonic()
        while helper is not None and helper.poll() is None and not stop():
            if time.monotonic() - begun > LONGEST_WAIT:
                return
            time.sleep(0.05)

    try:
        yield wait
    finally:
        if helper is not None:
            if helper.poll() is None:
                helper.kill()
            helper.wait()
