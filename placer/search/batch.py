"""A night of several cues: who gets how much time, and what became of each.

Time is shared by size, after what rendering will need has been set aside; it is shared anew
before every cue, so that one that ends early or fails leaves its time to the rest. One failing cue
never stops the night.

*Conventions*: seconds; `deadline` and `clock` are times of one clock (`time.monotonic`).

Functions: `search_seconds`, `run_batch`, `exit_code`.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from placer.errors import PlacerError

LEAST_SECONDS = 5.0
"""A cue with less time than this to search is left alone, s (a matter of sense, no source)."""


@dataclass(frozen=True, slots=True)
class Job:
    """One cue of the queue.

    Attributes
    ----------
    path : the cue file
    size : share of the time it asks for, for example tracks times analysed seconds
    render_seconds : time to set aside for its rendering
    """

    path: Path
    size: float
    render_seconds: float = 0.0

    def __post_init__(self) -> None:
        if not (self.size > 0 and self.render_seconds >= 0):
            raise ValueError(f"{self.path}: size and render_seconds must not be negative: {self}")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one cue's run says of itself: exit code, a line of words, what it gained in words."""

    exit_code: int
    words: str = ""
    gained: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the summary: the cue, the time it had and used, what became of it.

    `state` is "done", "demand not met", "failed", "interrupted" or "not reached".
    """

    path: Path
    state: str
    used_seconds: float
    outcome: Outcome


STATES = {0: "done", 1: "demand not met", 130: "interrupted"}


def search_seconds(jobs: Sequence[Job], left: float) -> float | None:
    """Search time of the first of `jobs`, s; None if there is not enough for it.

    What all of them need for rendering is set aside. Where the time is too short for all, the last
    ones of the queue are given up first.
    """
    for number in range(len(jobs), 0, -1):
        kept = jobs[:number]
        free = left - sum(job.render_seconds for job in kept)
        share = free * kept[0].size / sum(job.size for job in kept)
        if share >= LEAST_SECONDS:
            return share
    return None


def run_batch(
    jobs: Sequence[Job],
    run_one: Callable[[Path, float | None], Outcome],
    *,
    deadline: float | None = None,
    stop: Callable[[], bool] = bool,
    clock: Callable[[], float] = time.monotonic,
    on_row: Callable[[Row], None] = lambda _row: None,
) -> tuple[Row, ...]:
    """Run every cue of a queue, whatever becomes of the others; a row for each, in order.

    Parameters
    ----------
    jobs : the queue, in order
    run_one : (cue file, seconds to search or None for the cue's own limits) -> outcome; it renders
        as well, in the time set aside
    deadline : when all must be rendered, on `clock`; None: every cue has its own limits
    stop : whether someone asked to stop; asked between cues
    on_row : told of each cue as it ends
    """
    rows: list[Row] = []
    for number, job in enumerate(jobs):
        given = None if deadline is None else search_seconds(jobs[number:], deadline - clock())
        if stop() or any(row.state == "interrupted" for row in rows):
            row = Row(job.path, "interrupted", 0.0, Outcome(130, "not started"))
        elif deadline is not None and given is None:
            row = Row(job.path, "not reached", 0.0, Outcome(1, "no time was left"))
        else:
            row = _run(job, run_one, given, clock)
        rows.append(row)
        on_row(row)
    return tuple(rows)


def _run(
    job: Job,
    run_one: Callable[[Path, float | None], Outcome],
    given: float | None,
    clock: Callable[[], float],
) -> Row:
    """Run one cue; any failure becomes a row."""
    begun = clock()
    try:
        outcome = run_one(job.path, given)
    except PlacerError as error:
        outcome = Outcome(2, str(error))
    except KeyboardInterrupt:
        outcome = Outcome(130, "interrupted")
    except Exception as error:  # one failing cue must not stop the night: the row tells all
        outcome = Outcome(2, f"{type(error).__name__}: {error}")
    state = STATES.get(outcome.exit_code, "failed")
    return Row(job.path, state, clock() - begun, outcome)


def exit_code(rows: Sequence[Row]) -> int:
    """Exit code of the night: 130 interrupted, 2 a cue failed, 1 a demand unmet or no time, 0."""
    states = {row.state for row in rows}
    if "interrupted" in states:
        return 130
    if "failed" in states:
        return 2
    return 1 if states & {"demand not met", "not reached"} else 0
