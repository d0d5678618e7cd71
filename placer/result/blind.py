"""Who is who while somebody listens blind: known to the server only, until a choice is made.

*Conventions*: a token is a random name that stands for a rank; versions are named by rank, 0 the
reference. Chance comes from the operating system (`secrets`), not from the run's seed.

`Listening`: tokens, blind rounds and ABX series of one sitting.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field
from typing import Any, TypeVar

from placer.errors import PlacerError
from placer.result.record import guessing

MOST_KEPT = 10_000
"""Tokens, rounds and series of one sitting. The oldest go: reloading must not fill memory."""

Kept = TypeVar("Kept")


def _keep(names: dict[str, Kept], name: str, value: Kept) -> None:
    """Keep a value under a name, and forget the oldest one where there are too many."""
    names[name] = value
    if len(names) > MOST_KEPT:
        del names[next(iter(names))]


class RequestError(PlacerError):
    """A page asked for something that is not on offer."""


@dataclass(slots=True)
class Series:
    """One ABX series: two ranks, which of them X is just now, and the answers so far."""

    a: int
    b: int
    x: int | None = None
    answers: list[bool] = field(default_factory=list)


class Listening:
    """Tokens, blind rounds and ABX series; only what was begun can be ended, and only once."""

    def __init__(self, ranks: tuple[int, ...]) -> None:
        self.ranks = ranks
        self._tokens: dict[str, int] = {}
        self._rounds: dict[str, list[int]] = {}
        self._series: dict[str, Series] = {}
        self._chance = secrets.SystemRandom()

    def token(self, rank: int) -> str:
        """Make a new name for a rank."""
        name = secrets.token_urlsafe(12)
        _keep(self._tokens, name, rank)
        return name

    def rank_of(self, token: str) -> int | None:
        """Give the rank behind a token, if it is one."""
        return self._tokens.get(token)

    def begin_round(self) -> dict[str, Any]:
        """Deal every version to a letter and name only tokens."""
        order = list(self.ranks)
        self._chance.shuffle(order)
        name = secrets.token_urlsafe(12)
        _keep(self._rounds, name, order)
        return {"round": name, "tokens": [self.token(rank) for rank in order]}

    def end_round(self, name: str, letter: str | None) -> tuple[list[int], int | None]:
        """Give the order of a round and the rank behind the chosen letter.

        Raises
        ------
        RequestError
            If there is no such round or letter, or it has been chosen before.
        """
        order = self._rounds.get(name)
        if order is None:
            raise RequestError("this round is over or unknown; begin a new one")
        if letter is None:
            del self._rounds[name]
            return order, None
        index = ord(letter) - ord("A") if len(letter) == 1 else -1
        if not 0 <= index < len(order):
            raise RequestError(f"there is no version {letter!r} in this round")
        del self._rounds[name]
        return order, order[index]

    def begin_series(self, a: int, b: int) -> dict[str, Any]:
        """Begin an ABX series between two ranks."""
        if a not in self.ranks or b not in self.ranks or a == b:
            raise RequestError(f"a = {a}, b = {b}: choose two different versions of this run")
        name = secrets.token_urlsafe(12)
        _keep(self._series, name, Series(a, b))
        return {"series": name}

    def trial(self, name: str) -> dict[str, Any]:
        """Draw X anew and give its token."""
        series = self._find(name)
        series.x = self._chance.choice((series.a, series.b))
        return {"token": self.token(series.x)}

    def answer(self, name: str, choice: str) -> dict[str, Any]:
        """Take "A" or "B" for the X of this trial; say only how many answers there are."""
        series = self._find(name)
        if series.x is None or choice not in ("A", "B"):
            raise RequestError("draw X first, then answer A or B")
        series.answers.append((series.a if choice == "A" else series.b) == series.x)
        series.x = None
        return {"trials": len(series.answers)}

    def end_series(self, name: str) -> dict[str, Any]:
        """Give the result of a series with its exact probability by guessing, and forget it."""
        series = self._find(name)
        del self._series[name]
        right, trials = sum(series.answers), len(series.answers)
        p = guessing(right, trials)
        return {"a": series.a, "b": series.b, "right": right, "trials": trials, "p": p}

    def _find(self, name: str) -> Series:
        """Give a series that is going on."""
        if name not in self._series:
            raise RequestError("this series is over or unknown; begin a new one")
        return self._series[name]
