"""Days of the year written month-day, as project files and tables give them."""

from __future__ import annotations

import datetime
import re

DAYS = 366
"""Days of a leap year: 29 February has a number of its own, so that a date has the same number every year."""
_LEAP_YEAR = 2000
_MONTH_DAY = re.compile(r"(\d{1,2})-(\d{1,2})")


def day_of_year(text: str) -> int | None:
    """Return the day of a leap year, 1 to 366, that a text ``"MM-DD"`` stands for; None where it is none."""
    match = _MONTH_DAY.fullmatch(text.strip())
    if match is None:
        return None
    try:
        return datetime.date(_LEAP_YEAR, int(match[1]), int(match[2])).timetuple().tm_yday
    except ValueError:  # no such month or day
        return None


def month_day(day: int) -> str:
    """Return ``"MM-DD"`` for a day of a leap year, 1 to 366.

    Raises
    ------
    ValueError
        When `day` is outside that.
    """
    if not 1 <= day <= DAYS:
        raise ValueError(f"given day {day}, allowed: 1 to {DAYS}")
    return (datetime.date(_LEAP_YEAR, 1, 1) + datetime.timedelta(days=day - 1)).strftime("%m-%d")


def in_season(day: float, season: tuple[int, int]) -> bool:
    """Tell whether a day of a leap year lies within a season, ends included; a season may pass new year."""
    first, last = season
    return first <= day <= last if first <= last else day >= first or day <= last
