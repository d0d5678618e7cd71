"""Invented responses for exports: noise that dies away, as four microphone positions hear it."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from placer.result.export.response_files import Microphones, TrackResponses

MOMENT = datetime(2025, 3, 4, 5, 6, 7)
FADERS = {"close": -3.0, "tree": 0.0, "outriggers": None, "hall": -6.5}


def responses_of(
    name: str, taps: int = 4000, channels: int = 1, *, known: bool = False
) -> TrackResponses:
    """Responses of a track; with `known` also those of two microphones."""
    rng = np.random.default_rng(len(name))
    shape = np.exp(-np.arange(taps) / 700.0)
    return TrackResponses(
        positions={
            position: 0.2 * rng.standard_normal((channels, 2, taps)) * shape for position in FADERS
        },
        faders_db=FADERS,
        gain_db=-1.25,
        microphones=Microphones(
            responses=rng.standard_normal((channels, 2, taps)) * shape,
            names=("close", "tree centre"),
            places=np.array([[1.0, 3.0, 1.5], [0.0, 1.0, 3.0]]),
            aims=np.array([[0.0, 1.0, 0.0], [0.0, 1.0, 0.0]]),
            sources=np.array([[1.0, 4.0, 1.2]] * channels),
        )
        if known
        else None,
    )
