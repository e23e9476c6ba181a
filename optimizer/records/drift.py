"""Readings over time: which left their limits, and when a straight line through them would."""

from datetime import datetime, timedelta
from math import fsum, sqrt

from optimizer.records.store import StoreAnswer
from optimizer.units import ROUND_OFF, number

HORIZON_DAYS = 913
"""How far ahead a line is drawn [d]: 30 months, the durability above which EU labels need no date (Regulation (EC) No
1223/2009, Article 19, from memory)."""

ASSUMES = (
    "This assumes that it goes on along the straight line that fits the readings best, which nothing promises; "
    "the same meter and temperature throughout. Read again, more often."
)


class Trend(StoreAnswer):
    """The straight line that fits readings best (least squares).

    Equation: slope = sum((t - mean t)(y - mean y)) / sum((t - mean t)^2); its standard error is
    sqrt(sum(residual^2) / (n - 2) / sum((t - mean t)^2)), known from three readings on (any text on regression).
    Valid while the change is steady; a pH that settles after an adjustment is not.
    """

    readings: int
    per_week: float
    """Slope [unit of the readings per week]."""
    error_per_week: float | None
    """Standard error of the slope; null for two readings."""
    clear: bool
    """Whether the slope is more than twice its standard error; false for two readings."""
    limit: float | None
    """The limit that the line meets within the horizon."""
    passes_on: str
    """Day on which it meets it; empty if it does not."""


def trend(readings: tuple[tuple[str, float], ...], low: float | None, high: float | None) -> Trend | None:
    """Return the line through readings, or None if they are not of two times.

    Args:
        readings: Time (ISO 8601) and value, in any order.
        low: Lower limit.
        high: Upper limit.
    """
    times = [datetime.fromisoformat(on) for on, _ in readings]
    if len(set(times)) < 2:
        return None
    start, last = min(times), max(times)
    days = [(t - start) / timedelta(days=1) for t in times]
    values = [v for _, v in readings]
    n = len(days)
    middle, level = fsum(days) / n, fsum(values) / n
    spread = fsum((t - middle) ** 2 for t in days)
    slope = fsum((t - middle) * (v - level) for t, v in zip(days, values, strict=True)) / spread
    error = None
    if n > 2:
        left = fsum((v - level - slope * (t - middle)) ** 2 for t, v in zip(days, values, strict=True))
        error = sqrt(left / (n - 2) / spread)
    limit = low if slope < 0 else high
    day = None
    if limit is not None and abs(slope) > ROUND_OFF:
        meets = middle + (limit - level) / slope
        end = (last - start) / timedelta(days=1)
        if meets <= end + HORIZON_DAYS:
            day = (start + timedelta(days=max(meets, 0.0))).date().isoformat()
    return Trend(
        readings=n,
        per_week=slope * 7,
        error_per_week=None if error is None else error * 7,
        clear=error is not None and abs(slope) > 2 * error,
        limit=limit if day else None,
        passes_on=day or "",
    )


def alarms(
    what: str, readings: tuple[tuple[str, float], ...], low: float | None, high: float | None, line: Trend | None
) -> tuple[str, ...]:
    """Return a sentence for every reading outside its limits, and one if the line meets a limit."""
    sentences = []
    for on, value in readings:
        for limit, outside, word in ((low, low is not None and value < low, "below"), (high, high is not None
                                     and value > high, "above")):  # fmt: skip
            if outside and limit is not None:
                sentences.append(f"{what} {number(value)} on {on} is {word} its limit {number(limit)}.")
    if line is not None and line.passes_on and not sentences:
        last = max(on for on, _ in readings)[:10]
        moves = "falls" if line.per_week < 0 else "rises"
        when = f"meets its limit {number(line.limit or 0.0)} about {line.passes_on}"
        if line.passes_on <= last:
            when = f"has met its limit {number(line.limit or 0.0)}"
        doubt = "" if line.clear else " The readings scatter as much as they move." if line.readings > 2 else ""
        few = " Two readings only." if line.readings == 2 else ""
        rate = number(abs(line.per_week), 3)
        sentences.append(
            f"{what} {moves} by {rate} a week; on a line through {line.readings} readings it {when}."
            f"{doubt}{few} {ASSUMES}"
        )
    return tuple(sentences)
