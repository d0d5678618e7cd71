"""The race of sets of units: who is searched longer, and when it ends."""

from __future__ import annotations

import time
from types import SimpleNamespace
from typing import Any

import pytest

from placer.run import few_moves

WORTH = {"a": 0.9, "b": 0.5, "c": 0.7, "d": 0.8, "e": 0.6}


def raced(
    monkeypatch: pytest.MonkeyPatch,
    *,
    gains: dict[str, float] | None = None,
    stopped: bool = False,
    end: float | None = None,
    runners: str = "abcde",
) -> tuple[str, list[str]]:
    """Race mixes that are only names; (the last one left, who was searched, in order)."""
    cost = dict(WORTH)
    order: list[str] = []

    def searched(_search: Any, mix: str, _begin: Any, _until: float | None) -> str:
        order.append(mix)
        cost[mix] -= (gains or {}).get(mix, 0.0)
        return mix

    monkeypatch.setattr(few_moves, "_raced", searched)
    search: Any = SimpleNamespace(
        cost=lambda mix: cost[mix],
        clock=SimpleNamespace(stopped=lambda: stopped),
        units=range(12),
    )
    mixes: Any = list(runners)
    begin: Any = ()
    found: Any = few_moves._race(search, mixes, begin, end)
    return found, order


def test_the_better_half_goes_on_and_the_last_runs_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Five, then two, then one, which is searched once more."""
    assert raced(monkeypatch) == ("b", ["a", "b", "c", "d", "e", "b", "e", "b", "b"])


def test_who_gets_better_on_the_way_may_win(monkeypatch: pytest.MonkeyPatch) -> None:
    """The race goes by what was found so far, not by how a mix looked at first."""
    assert raced(monkeypatch, gains={"c": 0.15, "b": 0.0})[0] == "c"


def test_a_stopped_race_ends_with_the_best_of_its_first_leg(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Ctrl-C is not asked for twice."""
    assert raced(monkeypatch, stopped=True) == ("b", ["a", "b", "c", "d", "e"])


def test_with_little_time_fewer_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two of eight that look best, each searched for long enough to be told apart."""
    runners = "abcdeabc"
    _, order = raced(monkeypatch, runners=runners, end=time.monotonic() + 0.3)
    assert order[:2] == ["a", "b"]
    assert set(order) == {"a", "b"}
    _, order = raced(monkeypatch, runners=runners, end=time.monotonic() + 60.0)
    assert order[:8] == list(runners)
