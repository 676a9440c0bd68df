"""The shape of a year: twelve monthly factors, interpolated."""

from calendar import monthrange
from collections.abc import Sequence
from datetime import date


def season_factor(months: Sequence[float], on: date) -> float:
    """The factor of a day, on straight lines from mid-month to mid-month round the year.

    >>> season_factor([1.0] * 6 + [0.5] + [1.0] * 5, date(2026, 7, 16))
    0.5
    >>> round(season_factor([1.0] * 6 + [0.5] + [1.0] * 5, date(2026, 7, 1)), 3)
    0.746
    """
    days = monthrange(on.year, on.month)[1]
    past_middle = (on.day - 0.5) - days / 2
    step = 1 if past_middle >= 0 else -1
    there = (on.month - 1 + step) % 12
    other_days = monthrange(on.year, there + 1)[1]
    weight = abs(past_middle) / ((days + other_days) / 2)
    return months[on.month - 1] * (1 - weight) + months[there] * weight


def season_mean(months: Sequence[float]) -> float:
    """The mean factor over the days of a common year.

    >>> season_mean([1.2] * 12)
    1.2
    """
    start = date(2026, 1, 1).toordinal()
    factors = [season_factor(months, date.fromordinal(start + n)) for n in range(365)]
    return round(sum(factors) / 365, 6)
