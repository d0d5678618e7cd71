"""Which candidates of an inner search differ.

*Conventions*: table costs, lower is better.

`Found`: one candidate. `apart`: the best that differ in many of their tracks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from placer.trial.catalogues import Placements

APART = 0.3
"""Part of the tracks in which two of them differ."""


@dataclass(frozen=True, slots=True)
class Found:
    """A candidate of the inner search."""

    placements: Placements
    table_cost: float


def apart(found: Sequence[Found], count: int) -> list[Found]:
    """The best candidates that differ from one another in `APART` of their tracks.

    Parameters
    ----------
    found : sequence of Found
        Best first.
    count : int
        Wanted; fewer where no more differ.

    Returns
    -------
    list of Found
        The best first.
    """
    chosen: list[Found] = []
    for one in found:
        far = all(
            sum(a != b for a, b in zip(one.placements, other.placements, strict=True))
            >= APART * len(one.placements)
            for other in chosen
        )
        if far and len(chosen) < count:
            chosen.append(one)
    return chosen
