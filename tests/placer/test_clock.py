"""How long a composer lets the tool work, as it is typed and as it is said back."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from placer.clock import parse_duration, seconds_until, spoken, unit_taken
from placer.errors import PlacerError


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("90", 90), ("60s", 60), ("45m", 2700), ("8h", 28800), ("1h30m", 5400),
        ("1.5h", 5400), (" 2M ", 120), ("1h0m5s", 3605), ("0.5", 0.5),
    ],
)  # fmt: skip
def test_durations_are_read_as_one_writes_them(text: str, seconds: float) -> None:
    """Hours, minutes and seconds, together or alone; a bare number is seconds."""
    assert parse_duration(text) == pytest.approx(seconds, rel=1e-12)


@pytest.mark.parametrize("text", ["", "0", "0s", "-5", "soon", "5m3h", "h", "1d", "nan", "99999h"])
def test_what_is_no_duration_says_what_one_looks_like(text: str) -> None:
    """One line that shows the forms; nothing is guessed."""
    with pytest.raises(PlacerError, match="write 60s, 45m, 8h or 1h30m"):
        parse_duration(text)


@given(st.integers(0, 99), st.integers(0, 59), st.integers(1, 59))
def test_parts_of_a_duration_add_up(hours: int, minutes: int, seconds: int) -> None:
    """What is written out in hours, minutes and seconds is that many seconds."""
    written = f"{hours}h{minutes}m{seconds}s"
    assert parse_duration(written) == hours * 3600 + minutes * 60 + seconds


@given(st.floats(0.0, 1e6))
def test_a_spoken_duration_is_near_the_truth(seconds: float) -> None:
    """Words are rounded to the second below 90 s, to the minute above."""
    words = spoken(seconds)
    said = parse_duration(words.replace(" min", "m").replace(" ", "")) if words != "0 s" else 0.0
    assert said == pytest.approx(seconds, abs=0.5 if seconds < 90 else 30.0)


@pytest.fixture
def berlin(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(
    ("now", "hours"),
    [
        (datetime(2024, 1, 5, 23, 0), 8),
        (datetime(2024, 1, 5, 6, 59), 1 / 60),
        (datetime(2024, 1, 5, 7, 0), 24),
        (datetime(2024, 3, 30, 23, 0), 7),  # clocks go forward
        (datetime(2024, 10, 26, 23, 0), 9),  # clocks go back
    ],
)
@pytest.mark.usefixtures("berlin")
def test_until_is_the_next_such_hour(now: datetime, hours: float) -> None:
    """07:00 is tonight's or tomorrow's, also in the two nights with a changed clock."""
    assert seconds_until("07:00", now) == pytest.approx(hours * 3600)


@pytest.mark.parametrize("wrong", ["7", "25:00", "soon", "07:00:00", ""])
def test_until_must_be_a_time_of_day(wrong: str) -> None:
    """Anything else is one clear line."""
    with pytest.raises(PlacerError, match="write 07:00 or 23:30"):
        seconds_until(wrong, datetime(2024, 1, 5))


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.4, "0 s"),
        (89.4, "89 s"),
        (90, "2 min"),
        (3599, "1 h"),
        (7200, "2 h"),
        (5400, "1 h 30 min"),
    ],
)
def test_spoken_durations(seconds: float, words: str) -> None:
    """As short as they can be."""
    assert spoken(seconds) == words


@pytest.mark.parametrize(
    ("text", "taken"), [("90", "90 s"), (" 90 ", "90 s"), ("1.5", "1.5 s"), ("90s", ""), ("2h", "")]
)
def test_a_bare_number_says_its_unit(text: str, taken: str) -> None:
    """Only where none was written."""
    assert unit_taken(text) == taken
