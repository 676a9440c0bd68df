"""Dates and times of GS1 labels: six digits, of a year of two."""

from calendar import monthrange
from datetime import date

MOST_AHEAD = 50  # years that a year of two digits may lie ahead; 49 back


def full_year(two_digits: int, today: date) -> int:
    """The year from 49 years ago to 50 years ahead that ends in two digits.

    Source: GS1 Barcode Syntax Dictionary, linter yymmd0 [R]; General Specifications 7.12.

    >>> full_year(26, date(2026, 11, 25)), full_year(77, date(2026, 11, 25))
    (2026, 1977)
    """
    century, now = divmod(today.year, 100)
    difference = two_digits - now
    if difference > MOST_AHEAD:
        century -= 1
    elif difference <= -MOST_AHEAD:
        century += 1
    return century * 100 + two_digits


def printed_date(digits: str, today: date, *, whole_month: bool = False) -> date:
    """The day that YYMMDD means; where allowed, day 00 is the last of its month.

    Raises ValueError saying what cannot be: month 13, the 31st of February.

    >>> printed_date("260200", date(2026, 11, 25), whole_month=True)
    datetime.date(2026, 2, 28)
    """
    year, month, day = full_year(int(digits[:2]), today), int(digits[2:4]), int(digits[4:6])
    if not 1 <= month <= 12:
        raise ValueError(f"{digits} has month {month:02}: dates are written YYMMDD")
    last = monthrange(year, month)[1]
    if day == 0 and whole_month:
        return date(year, month, last)
    if not 1 <= day <= last:
        allowed = f"01 to {last}" + (", or 00 for its end" if whole_month else "")
        raise ValueError(f"{digits} has day {day:02}: {year}-{month:02} has {allowed}")
    return date(year, month, day)


def check_time(digits: str) -> None:
    """Raise ValueError unless hh, hhmm or hhmmss is a time of day."""
    limits = (23, 59, 59)
    parts = [digits[i : i + 2] for i in range(0, len(digits), 2)]
    if any(len(part) != 2 or int(part) > limits[i] for i, part in enumerate(parts)):
        raise ValueError(f"{digits} is no time of day")
