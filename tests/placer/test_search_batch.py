"""A night of several cues, on a clock that the test turns."""

from __future__ import annotations

from pathlib import Path

import pytest

from placer.errors import CueError
from placer.search.batch import (
    LEAST_SECONDS,
    Job,
    Outcome,
    Row,
    exit_code,
    run_batch,
    search_seconds,
)


class Night:
    """A clock, and cues that take what they are given (or do as told)."""

    def __init__(self, **behaviour: object) -> None:
        self.now = 0.0
        self.given: dict[str, float | None] = {}
        self.behaviour = behaviour

    def clock(self) -> float:
        """Time of the test's clock."""
        return self.now

    def run_one(self, path: Path, seconds: float | None) -> Outcome:
        """Use up the time given, or behave as told."""
        self.given[path.name] = seconds
        does = self.behaviour.get(path.name)
        if isinstance(does, BaseException):
            self.now += 1
            raise does
        if isinstance(does, Outcome):
            return does
        self.now += (seconds or 0) + (does if isinstance(does, float) else 0.0)
        return Outcome(0, gained="more")


def jobs(*sizes: float, render: float = 0.0) -> list[Job]:
    return [Job(Path(f"cue{i}"), size, render) for i, size in enumerate(sizes)]


def test_time_is_shared_by_size() -> None:
    """A cue three times as large has three times the time, and the night ends on time."""
    night = Night()
    rows = run_batch(jobs(1, 3, 2), night.run_one, deadline=600, clock=night.clock)
    assert night.given == {"cue0": 100, "cue1": 300, "cue2": 200}
    assert [row.state for row in rows] == ["done"] * 3
    assert [row.used_seconds for row in rows] == [100, 300, 200]
    assert exit_code(rows) == 0


def test_rendering_is_set_aside() -> None:
    """With 30 s of rendering each, the last mix is ready at the deadline and not after it."""
    night = Night(cue0=30.0, cue1=30.0, cue2=30.0)
    run_batch(jobs(1, 1, 1, render=30), night.run_one, deadline=690, clock=night.clock)
    assert night.now == 690
    assert set(night.given.values()) == {200}


def test_failures_leave_their_time_to_the_rest() -> None:
    """A bad cue file, or a fault of the tool, is one row; the others share what it left."""
    night = Night(cue0=CueError("cue0.toml: no tracks"), cue1=ZeroDivisionError("oops"))
    told: list[Row] = []
    rows = run_batch(
        jobs(1, 1, 1), night.run_one, deadline=602, clock=night.clock, on_row=told.append
    )
    assert [row.state for row in rows] == ["failed", "failed", "done"]
    assert rows[0].outcome.words == "cue0.toml: no tracks"
    assert rows[1].outcome.words == "ZeroDivisionError: oops"
    assert night.given["cue2"] == 600
    assert told == list(rows)
    assert exit_code(rows) == 2


def test_unmet_demand_is_not_a_failure() -> None:
    """A cue that finished short of a demand gives exit code 1."""
    night = Night(cue0=Outcome(1, words="loudness target missed by 1.2 LU"))
    rows = run_batch(jobs(1, 1), night.run_one, deadline=100, clock=night.clock)
    assert rows[0].state == "demand not met"
    assert exit_code(rows) == 1


def test_short_night_gives_up_the_last_cues() -> None:
    """Where there is not enough for all, the first cues of the queue are done properly."""
    night = Night(cue0=20.0, cue1=20.0, cue2=20.0)
    rows = run_batch(jobs(1, 1, 1, render=20), night.run_one, deadline=60, clock=night.clock)
    assert [row.state for row in rows] == ["done", "done", "not reached"]
    assert night.now == 60
    assert all(g is not None and g >= LEAST_SECONDS for g in night.given.values())
    assert exit_code(rows) == 1


def test_no_time_at_all() -> None:
    """After the deadline nothing is begun."""
    assert search_seconds(jobs(1), -3.0) is None
    night = Night()
    rows = run_batch(jobs(1), night.run_one, deadline=-3.0, clock=night.clock)
    assert rows[0].state == "not reached"
    assert not night.given


def test_without_deadline_cues_have_their_own_limits() -> None:
    """No `--until`: every cue runs with what its file says."""
    night = Night()
    run_batch(jobs(1, 2), night.run_one, clock=night.clock)
    assert night.given == {"cue0": None, "cue1": None}


@pytest.mark.parametrize("how", [Outcome(130), KeyboardInterrupt()])
def test_interrupt_ends_the_night(how: object) -> None:
    """A cue that was interrupted is the last; the others are named as not started."""
    night = Night(cue1=how)
    rows = run_batch(jobs(1, 1, 1), night.run_one, deadline=90, clock=night.clock)
    assert [row.state for row in rows] == ["done", "interrupted", "interrupted"]
    assert "cue2" not in night.given
    assert exit_code(rows) == 130


def test_stop_flag_between_cues() -> None:
    """Asked to stop, no further cue is begun."""
    night = Night()
    rows = run_batch(jobs(1), night.run_one, deadline=9, clock=night.clock, stop=lambda: True)
    assert rows[0].state == "interrupted"
    assert not night.given


def test_job_sizes_are_positive() -> None:
    """A cue of no size could have no time."""
    with pytest.raises(ValueError, match="cue0"):
        jobs(0.0)
