"""Days and times as people type them."""

from __future__ import annotations

from optimizer.errors import UsageError
from optimizer.units import FIRST_YEAR, LAST_YEAR


def day_of(text: str) -> str:
    """Return a date as ISO 8601, today if it is empty.

    Raises:
        UsageError: If it is none, or of another age.
    """
    from datetime import date

    try:
        day = date.fromisoformat(text) if text else date.today()
    except ValueError:
        raise UsageError(f"'{text}' is no date; write it as 2026-05-04.") from None
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise UsageError(f"'{text}' lies outside the years {FIRST_YEAR} to {LAST_YEAR}; write it as 2026-05-04.")
    return day.isoformat()


def time_of(text: str) -> str:
    """Return a date, perhaps with the time to the minute, as ISO 8601; today if it is empty.

    Raises:
        UsageError: If it is none.
    """
    from datetime import datetime

    if "T" not in text and " " not in text.strip():
        return day_of(text)
    try:
        when = datetime.fromisoformat(text).replace(tzinfo=None)
    except ValueError:
        raise UsageError(f"'{text}' is no time; write it as 2026-05-04T14:30.") from None
    day_of(when.date().isoformat())
    return when.isoformat(timespec="minutes")


def not_ahead(time: str) -> str:
    """Return when something was read; a day's room is left for places where it is tomorrow already.

    Raises:
        UsageError: If that lies ahead.
    """
    from datetime import date, timedelta

    if time and time[:10] > (date.today() + timedelta(days=1)).isoformat():
        raise UsageError(f"'{time}' lies ahead: nothing was read then. Correct the date.")
    return time


def years_on(day: str, years: int) -> str:
    """Return the same day some years later; 29 February becomes 1 March."""
    from datetime import date

    then = date.fromisoformat(day)
    try:
        return then.replace(year=then.year + years).isoformat()
    except ValueError:
        return date(then.year + years, 3, 1).isoformat()
