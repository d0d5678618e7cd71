"""Invented responses for exports: noise that dies away, as four microphone positions hear it."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from placer.result.export.response_files import Microphones, TrackResponses

MOMENT = datetime(2025, 3, 4, 5, 6, 7)
FADERS = {"close": -3.0, "tree": 0.0, "outriggers": None, "hall": -6.5}
MOVED_FADERS = {"close": -1.0, "tree": 0.0, "outriggers": -9.0, "hall": None}
STAYS = "Horns"
"""The dry track that no mix of the invented run moves."""


def responses_of(
    name: str, rank: int = 0, *, taps: int = 4000, channels: int = 1, known: bool = False
) -> TrackResponses:
    """Responses of a track in a mix; with `known` also those of two microphones."""
    moved = rank if name != STAYS else 0
    rng = np.random.default_rng([len(name), moved])
    shape = np.exp(-np.arange(taps) / 700.0)
    return TrackResponses(
        positions={
            position: 0.2 * rng.standard_normal((channels, 2, taps)) * shape for position in FADERS
        },
        faders_db=MOVED_FADERS if moved else FADERS,
        gain_db=-1.75 if moved else -1.25,
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
