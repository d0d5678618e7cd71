"""How a composer says how long: durations and times of day.

*Conventions*: seconds as float; times of day are local.

`parse_duration`: "90", "60s", "45m", "8h", "1h30m". `unit_taken`: of a number without one.
`seconds_until`: "07:00", today or tomorrow.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta

from placer.errors import PlacerError

UNITS = {"h": 3600.0, "m": 60.0, "s": 1.0}
PATTERN = re.compile(r"^(?:(\d+(?:\.\d+)?)h)?(?:(\d+(?:\.\d+)?)m)?(?:(\d+(?:\.\d+)?)s?)?$")


def parse_duration(text: str) -> float:
    """Seconds of a duration.

    Raises
    ------
    PlacerError
        It is not a duration above zero.

    Examples
    --------
    >>> parse_duration("1h30m"), parse_duration("20s"), parse_duration("90")
    (5400.0, 20.0, 90.0)
    """
    match = PATTERN.match(text.strip().lower())
    values = match.groups() if match else (None, None, None)
    seconds = sum(
        float(value) * unit for value, unit in zip(values, UNITS.values(), strict=True) if value
    )
    if not 0.0 < seconds < 1e7:
        raise PlacerError(
            f"duration {text!r} is not a time above zero; write 60s, 45m, 8h or 1h30m"
        )
    return seconds


def unit_taken(text: str) -> str:
    """What a duration without a unit at its end was taken as, "" where it has one.

    Examples
    --------
    >>> unit_taken("90"), unit_taken("1m30"), unit_taken("90s")
    ('90 s', '1m30 s', '')
    """
    plain = text.strip()
    return f"{plain} s" if plain[-1:].isdigit() else ""


def seconds_until(text: str, now: datetime) -> float:
    """Seconds from `now` (local time, without a zone) to the next time of day "HH:MM".

    The night in which the clocks change is an hour shorter or longer.

    Raises
    ------
    PlacerError
        It is not a time of day.

    Examples
    --------
    >>> seconds_until("07:00", datetime(2026, 1, 1, 23, 0))
    28800.0
    """
    try:
        wanted = datetime.strptime(text.strip(), "%H:%M").time()
    except ValueError as error:
        raise PlacerError(f"time {text!r} is not a time of day; write 07:00 or 23:30") from error
    target = datetime.combine(now.date(), wanted)
    if target <= now:
        target += timedelta(days=1)
    return target.timestamp() - now.timestamp()


def spoken(seconds: float) -> str:
    """A duration in words as short as they can be.

    Examples
    --------
    >>> spoken(42.0), spoken(600.0), spoken(5400.0)
    ('42 s', '10 min', '1 h 30 min')
    """
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"
