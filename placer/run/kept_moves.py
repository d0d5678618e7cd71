"""What the composer says of the moves of an earlier search: keep these, not those.

*Conventions*: a move is a track's placement in one mix. What is kept is held as it is; near what is
refused nothing is proposed again.

`Answers`: what is held and what is refused. `is_refused`: whether a placement is too near to a
refused one. `answered_hash`: what makes two searches that go on from answers the same.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from placer.cue.records import OFF_DB, Placement, Track

REFUSED_GAIN_DB, REFUSED_PAN, REFUSED_WIDTH, REFUSED_SEAT = 2.0, 0.15, 0.2, 1.0
"""A placement is nearly the same as a refused one where no position's gain differs by more dB, pan
and width by no more, and the seat by no more m: about what is just heard (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class Answers:
    """Moves that are held and moves that are refused, by track name."""

    kept: dict[str, Placement] = field(default_factory=dict)
    refused: dict[str, Placement] = field(default_factory=dict)

    @property
    def plain(self) -> dict[str, Any]:
        """The same as plain values, for a hash."""
        return {
            name: {track: repr(one) for track, one in sorted(part.items())}
            for name, part in (("kept", self.kept), ("refused", self.refused))
        }

    def begin(self, track: Track) -> Placement:
        """Where a search begins with a track: at what is kept of it, else at the reference."""
        return self.kept.get(track.name, track.start)


def is_refused(answers: Answers, track: Track, placement: Placement) -> bool:
    """Whether a placement is nearly the same as one that was refused."""
    refused = answers.refused.get(track.name)
    if refused is None or placement == track.start:
        return False
    gains, others = (
        np.maximum(np.array(one.blend_db), OFF_DB / 2.0) for one in (placement, refused)
    )
    if np.abs(gains - others).max() > REFUSED_GAIN_DB:
        return False
    if abs(placement.pan - refused.pan) > REFUSED_PAN or placement.aligned != refused.aligned:
        return False
    if abs(placement.width - refused.width) > REFUSED_WIDTH:
        return False
    seat, other = placement.seat or (0.0, 0.0), refused.seat or (0.0, 0.0)
    return float(np.hypot(seat[0] - other[0], seat[1] - other[1])) <= REFUSED_SEAT


def answered_hash(cue_hash: str, answers: Answers) -> str:
    """Hash of a search that goes on from answers: another study than that of the cue alone."""
    if not answers.kept and not answers.refused:
        return cue_hash
    text = json.dumps([cue_hash, answers.plain], sort_keys=True)
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()
