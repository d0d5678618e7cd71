"""What a study keeps of each trial, and when it stops.

*Conventions*: costs are minimised; a trial's seed comes from the study's seed, the worker's lane
and the trial's place in that lane, never from the clock; `deadline` is a `time.monotonic` time in
s. A trial cut short by a stop or a deadline is kept, but `StudyLimits.trials` counts whole ones.

Records: `StudyKey`, `StudyLimits`, `TrialOutcome`, `Trial`. Functions: `seed_of`.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

import msgspec
import numpy as np
from msgspec import Meta

Value = bool | int | float | str
Count = Annotated[int, Meta(ge=0)]
Space = Mapping[str, Sequence[Value]]
"""Shared numbers: name -> allowed values, the usual one first."""


@dataclass(frozen=True, slots=True)
class TrialOutcome:
    """What one trial found: exact cost, JSON-able payload, and whether it was stopped early."""

    cost: float
    payload: dict[str, Any]
    cut_short: bool = False

    def __post_init__(self) -> None:
        if not math.isfinite(self.cost):
            raise ValueError(f"a trial's cost must be finite, not {self.cost}")


@dataclass(frozen=True, slots=True)
class Trial:
    """One stored trial: who ran it (`lane`, `ordinal`, `seed`), at which numbers, what it found."""

    lane: Count
    ordinal: Count
    seed: Count
    numbers: dict[str, Value]
    cost: float
    payload: dict[str, Any] = field(repr=False)
    cut_short: bool = False

    def to_json(self) -> str:
        """Compact JSON; NaN and infinity are refused."""
        record = {name: getattr(self, name) for name in Trial.__slots__}
        return json.dumps(record, separators=(",", ":"), allow_nan=False)

    @staticmethod
    def from_json(text: str) -> Trial:
        """Read what `to_json` wrote.

        Raises
        ------
        msgspec.MsgspecError
            The text is anything else.

        Examples
        --------
        >>> trial = Trial(0, 1, 7, {"spacing": 2.5}, 0.5, {"best": [1, 2]})
        >>> Trial.from_json(trial.to_json()) == trial
        True
        """
        return msgspec.json.decode(text, type=Trial)

    def fits(self, space: Space) -> bool:
        """Tell whether its numbers are among those of a space."""
        return self.numbers.keys() == space.keys() and all(
            value in space[name] for name, value in self.numbers.items()
        )


@dataclass(frozen=True, slots=True)
class StudyKey:
    """Which study: where it is stored, its name, and what all its workers must agree on.

    Attributes
    ----------
    storage : path of the journal file, or a `postgresql://` URL
    name : the study's name in that storage
    cue_hash : content hash of the cue and its stems
    space : shared numbers; may be empty
    version : of the program; workers of two versions would compare what they measured differently
    """

    storage: str | Path
    name: str
    cue_hash: str
    space: Space = field(default_factory=dict)
    version: str = ""

    def __post_init__(self) -> None:
        for name, values in self.space.items():
            if not values or len(set(values)) != len(values):
                raise ValueError(f"{name}: needs at least one value, each once, not {values}")


@dataclass(frozen=True, slots=True)
class StudyLimits:
    """When to stop: whole trials in the study, a deadline, a flag."""

    trials: int | None = None
    deadline: float | None = None
    stop: Callable[[], bool] = bool

    def met(self, stored: Sequence[Trial]) -> bool:
        """Whether any limit is reached with these trials stored."""
        whole = sum(not t.cut_short for t in stored)
        return (
            self.stop()
            or (self.trials is not None and whole >= self.trials)
            or (self.deadline is not None and time.monotonic() >= self.deadline)
        )


def seed_of(seed: int, lane: int, ordinal: int) -> int:
    """Seed of one trial, below 2^63.

    Examples
    --------
    >>> seed_of(1, 0, 0) == seed_of(1, 0, 0) != seed_of(1, 1, 0)
    True
    """
    state = np.random.SeedSequence([seed, lane, ordinal]).generate_state(1, np.uint64)
    return int(state[0] >> np.uint64(1))
