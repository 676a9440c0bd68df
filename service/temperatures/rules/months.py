"""The UTC months that readings lie in: one partition each on PostgreSQL, and what a cut goes by."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from service.science.arrays import Indices
from service.science.exposure import HOUR_S

REST = "reading_rest"
_PARTITION = re.compile(r"reading_(\d{4}_\d{2}|rest)")


@dataclass(frozen=True, order=True)
class Month:
    """One UTC month, and the partition that holds its readings."""

    from_s: int
    until_s: int

    @property
    def partition(self) -> str:
        """The partition's name, as reading_2026_11."""
        return f"reading_{datetime.fromtimestamp(self.from_s, UTC):%Y_%m}"


def is_partition(table: str) -> bool:
    """Whether a table is a part of `reading` that no model stands for."""
    return _PARTITION.fullmatch(table) is not None


def months_of(at_s: Indices) -> list[Month]:
    """The months that instants lie in, each once, in order.

    >>> [month.partition for month in months_of(np.array([0, 2678399, 2678400]))]
    ['reading_1970_01', 'reading_1970_02']
    """
    months = np.unique(at_s.astype("datetime64[s]").astype("datetime64[M]"))
    begin, end = (m.astype("datetime64[s]").astype(np.int64) for m in (months, months + 1))
    return [Month(int(a), int(b)) for a, b in zip(begin, end, strict=True)]


def months_between(from_s: int, until_s: int) -> list[Month]:
    """Every month that a time touches, in order."""
    first, last = np.array([from_s, until_s - 1], dtype="datetime64[s]").astype("datetime64[M]")
    return months_of(np.arange(first, last + 1).astype("datetime64[s]").astype(np.int64))


def month_before(at: datetime, months: float) -> int:
    """The first second of the month in which the instant so many months ago lies.

    >>> month_before(datetime(2026, 11, 25, tzinfo=UTC), 30) == datetime(
    ...     2024, 5, 1, tzinfo=UTC).timestamp()
    True
    """
    whole = np.datetime64(at.astimezone(UTC).replace(tzinfo=None), "M") - int(np.ceil(months))
    return int(whole.astype("datetime64[s]").astype(np.int64))


def kept_from(cut_s: int) -> int:
    """From when on hours can be made again, where raw readings before `cut_s` are gone.

    An hour needs the readings of the hour before it, and a late reading changes the
    hour before its own: so two hours later.
    """
    return cut_s + 2 * HOUR_S


def cut_before(kept_from_s: int) -> int:
    """Where raw readings begin that are complete from `kept_from_s` on; 0: nothing was cut."""
    return max(0, kept_from_s - 2 * HOUR_S)


def earliest(instants_s: Sequence[int]) -> int:
    """The earliest of some instants; where there is none, later than any."""
    return min(instants_s, default=2**40)
