"""Where progress is told.

*Conventions*: a stage has a name and, where it is known, a total in steps or s.

`Screen`: what the work tells. `Quiet`: nobody listens. `HEARING`: the caution before listening.
"""

from __future__ import annotations

from typing import Protocol

HEARING = "Start listening at a low level; long loud exposure harms hearing."
"""Said wherever listening begins."""


class Screen(Protocol):
    """Where progress is shown."""

    def stage(self, name: str, total: float | None = None) -> None:
        """A new stage of work begins, of `total` steps (or s) where that is known."""

    def advance(self, done: float, note: str = "") -> None:
        """`done` steps (or s) of the stage are done in all."""

    def say(self, line: str) -> None:
        """Show a line that stays."""


class Quiet:
    """Shows nothing."""

    def stage(self, name: str, total: float | None = None) -> None:
        """Ignore."""

    def advance(self, done: float, note: str = "") -> None:
        """Ignore."""

    def say(self, line: str) -> None:
        """Ignore."""
