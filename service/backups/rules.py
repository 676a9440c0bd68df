"""When a backup is due, which are kept, and how a value is written in one."""

import re
from collections.abc import Iterable
from datetime import datetime, timedelta
from enum import StrEnum

FORMAT = 1


class Kind(StrEnum):
    """What a column holds, whichever database it is in."""

    NUMBER = "number"  # whole, or yes and no as 1 and 0
    FLOAT = "float"
    TEXT = "text"
    INSTANT = "instant"  # 2026-11-25 06:00:00.000000, in UTC
    DAY = "day"
    JSON = "json"
    BYTES = "bytes"  # \x and hexadecimal digits


# The text format of PostgreSQL's COPY: a row a line, tabs between, \N for nothing. Its
# manual lists the escapes ("COPY", section "Text Format").
NOTHING = "\\N"
_ESCAPED = {"b": "\b", "f": "\f", "n": "\n", "r": "\r", "t": "\t", "v": "\v"}
_ESCAPE = re.compile(r"\\(.)", re.DOTALL)


def unescaped(field: str) -> str:
    r"""A field as it was before it was written.

    >>> unescaped(r"a\tb\\c")
    'a\tb\\c'
    """
    return _ESCAPE.sub(lambda found: _ESCAPED.get(found[1], found[1]), field)


def value_of(field: str, kind: Kind) -> str | float | bytes | None:
    """A field as SQLite takes it; whole numbers stay text, which the column turns into one."""
    if field == NOTHING:
        return None
    if kind is Kind.FLOAT:
        return float(field)
    plain = unescaped(field) if "\\" in field else field
    return bytes.fromhex(plain.removeprefix("\\x")) if kind is Kind.BYTES else plain


def hours_of(text: str) -> tuple[int, ...]:
    """Hours of the UTC day from a setting.

    >>> hours_of("14, 2")
    (2, 14)
    """
    return tuple(sorted({int(part) for part in text.split(",")}))


def last_slot(hours: Iterable[int], at: datetime) -> datetime:
    """The newest instant at or before `at` for which a backup is due.

    >>> from datetime import UTC
    >>> last_slot((2, 14), datetime(2026, 11, 25, 1, 30, tzinfo=UTC)).isoformat()
    '2026-11-24T14:00:00+00:00'
    """
    midnight = at.replace(hour=0, minute=0, second=0, microsecond=0)
    slots = [midnight + timedelta(days=day, hours=hour) for day in (-1, 0) for hour in hours]
    return max(slot for slot in slots if slot <= at)


def kept(slots: Iterable[datetime], *, days: int, weeks: int, months: int) -> frozenset[datetime]:
    """Which backups to keep: the newest of each of so many last days, weeks and months.

    Days, ISO weeks and months that have one are counted, not those that have passed: where
    nothing new is made, nothing is removed. The newest is always kept.
    """
    newest_first = sorted(slots, reverse=True)
    chosen: set[datetime] = set(newest_first[:1])
    for many, period in (
        (days, lambda slot: slot.date()),
        (weeks, lambda slot: slot.isocalendar()[:2]),
        (months, lambda slot: (slot.year, slot.month)),
    ):
        newest = {period(slot): slot for slot in reversed(newest_first)}
        chosen |= set(sorted(newest.values(), reverse=True)[:many])
    return frozenset(chosen)
