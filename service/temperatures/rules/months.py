"""The UTC months that readings lie in: one partition each on PostgreSQL, and what a cut goes by."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from service.science.arrays import Indices
from service.science.exposure import HOUR_S

REST = "reading_rest"
DAY_S = 86_400
MARGIN_S = 2 * HOUR_S
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


def month_of(at_s: int) -> Month:
    """The month that an instant lies in."""
    return months_of(np.array([at_s]))[0]


def months_ahead(at: datetime, count: int) -> list[Month]:
    """The month of an instant and so many after it."""
    months = [month_of(int(at.timestamp()))]
    for _ in range(count):
        months.append(month_of(months[-1].until_s))
    return months


def raw_needed_from(at: datetime, kept_months: float, needed: Sequence[datetime]) -> int:
    """The month before which raw readings may go, in whole UTC months.

    They are kept for the policy's months, and longer while something needs them: from
    four days before it, because an assessment begins with the three days before.

    >>> datetime.fromtimestamp(raw_needed_from(datetime(2026, 11, 25, tzinfo=UTC), 30, []), UTC)
    datetime.datetime(2024, 5, 1, 0, 0, tzinfo=datetime.timezone.utc)
    """
    own = np.datetime64(at.astimezone(UTC).replace(tzinfo=None), "M") - math.ceil(kept_months)
    first = int(own.astype("datetime64[s]").astype(np.int64))
    others = [month_of(int(each.timestamp()) - 4 * DAY_S).from_s for each in needed]
    return min([first, *others])


def kept_from(cut_s: int) -> int:
    """From when on hours can be made again, where raw readings before `cut_s` are gone.

    An hour needs the readings of the hour before it, and a late reading changes the
    hour before its own: so two hours later.
    """
    return cut_s + MARGIN_S


def cut_before(kept_from_s: int) -> int:
    """Before when raw readings go that are kept from `kept_from_s` on; 0: nothing goes."""
    return max(0, kept_from_s - MARGIN_S)
