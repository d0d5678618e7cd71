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

from placer.cue.records import Placement, Track

REFUSED_GAIN_DB, REFUSED_PAN, REFUSED_WIDTH, REFUSED_SEAT = 3.0, 0.15, 0.2, 1.0
"""A placement is nearly the same as a refused one where no position's gain against the loudest one
differs by more dB, pan and width by no more, and the seat by no more m: about what is just heard
(common practice, no source)."""

COUNTS_DB = 12.0
"""A position so far below the loudest one of its track changes next to nothing, on or off."""


@dataclass(frozen=True, slots=True)
class Answers:
    """Moves that are held and moves that are refused, by track name.

    Attributes
    ----------
    kept : where a track is held
    refused : placements of a track that are not proposed again
    """

    kept: dict[str, Placement] = field(default_factory=dict)
    refused: dict[str, tuple[Placement, ...]] = field(default_factory=dict)

    @property
    def plain(self) -> dict[str, Any]:
        """The same as plain values, for a hash."""
        return {
            "kept": {track: repr(one) for track, one in sorted(self.kept.items())},
            "refused": {track: repr(some) for track, some in sorted(self.refused.items())},
        }

    def begin(self, track: Track) -> Placement:
        """Where a search begins with a track: at what is kept of it, else at the reference."""
        return self.kept.get(track.name, track.start)

    def after(self, earlier: Answers) -> Answers:
        """These and those of an earlier search: the later word on a track counts."""
        kept = {name: one for name, one in earlier.kept.items() if name not in self.refused}
        refused = {
            name: (*earlier.refused.get(name, ()), *self.refused.get(name, ()))
            for name in (earlier.refused | self.refused)
            if name not in self.kept
        }
        return Answers(kept | self.kept, refused)

    @property
    def notes(self) -> list[str]:
        """What was answered, one line each, for a person."""
        parts = (("kept", self.kept), ("refused, not proposed again", self.refused))
        return [f"{word}: {', '.join(names)}" for word, names in parts if names]


NO_ANSWERS = Answers()


def is_refused(answers: Answers, track: Track, placement: Placement) -> bool:
    """Whether a placement is nearly the same as one that was refused."""
    if placement == track.start:
        return False
    return any(_nearly(placement, one) for one in answers.refused.get(track.name, ()))


def _nearly(placement: Placement, refused: Placement) -> bool:
    """Whether two placements of one track are nearly the same."""
    one, other = (np.array(some.blend_db) for some in (placement, refused))
    levels = [np.maximum(some - some.max(), -COUNTS_DB) for some in (one, other)]
    here, there = placement.seat or (0.0, 0.0), refused.seat or (0.0, 0.0)
    return bool(
        abs(placement.pan - refused.pan) <= REFUSED_PAN
        and abs(placement.width - refused.width) <= REFUSED_WIDTH
        and np.abs(levels[0] - levels[1]).max() <= REFUSED_GAIN_DB
        and np.hypot(here[0] - there[0], here[1] - there[1]) <= REFUSED_SEAT
    )


def answered_hash(cue_hash: str, answers: Answers) -> str:
    """Hash of a search that goes on from answers: another study than that of the cue alone."""
    if not answers.kept and not answers.refused:
        return cue_hash
    text = json.dumps([cue_hash, answers.plain], sort_keys=True)
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()
