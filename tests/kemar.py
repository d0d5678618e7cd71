"""Measured head responses for tests: the KEMAR head of Gardner & Martin (1995), in package `slab`.

`slab` wants a sound card at import; an empty module in its place is enough, nothing is played.
"""

from __future__ import annotations

import functools
import sys
import types
import warnings

import numpy as np
import pytest


@functools.cache
def _head() -> tuple[np.ndarray, np.ndarray, int]:
    """Directions (N, 2) azimuth to the left and elevation, responses (N, 2, taps), sample rate."""
    held = sys.modules.get("sounddevice")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            sys.modules.setdefault("sounddevice", types.ModuleType("sounddevice"))
            import slab
        except ImportError as error:
            pytest.skip(f"the measured head is in package slab, which cannot be read: {error}")
        finally:
            if held is None:
                sys.modules.pop("sounddevice", None)
        head = slab.HRTF.kemar()
    responses = np.stack([np.asarray(one.data, float).T for one in head.data])
    return head.sources.vertical_polar[:, :2], responses, int(head.data[0].samplerate)


def head_responses(azimuth_deg: float) -> tuple[np.ndarray, np.ndarray, int]:
    """Left and right impulse response to a source at ear height, azimuth to the right, and rate."""
    directions, responses, rate = _head()
    turn = np.abs((directions[:, 0] + azimuth_deg + 180.0) % 360.0 - 180.0)
    nearest = int((turn + 10.0 * np.abs(directions[:, 1])).argmin())
    return responses[nearest, 0], responses[nearest, 1], rate
