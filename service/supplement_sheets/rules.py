"""What of an order is still to be put into fish, and in which order sheets are read."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, tzinfo
from enum import StrEnum

from service.supplements.rules.placement import on_day

_NOTHING = 1e-9


class Paper(StrEnum):
    """How a sheet is answered."""

    JSON = "json"
    PDF = "pdf"
    CSV = "csv"


_ASKED_BY = {
    "application/pdf": Paper.PDF,
    "text/csv": Paper.CSV,
    "application/json": Paper.JSON,
}


def chosen_paper(accept: str) -> Paper:
    """What an Accept header asks for first among what there is; else JSON.

    >>> chosen_paper("text/html, application/pdf;q=0.9"), chosen_paper("*/*")
    (<Paper.PDF: 'pdf'>, <Paper.JSON: 'json'>)
    """
    kinds = (part.split(";", maxsplit=1)[0].strip().lower() for part in accept.split(","))
    return next((_ASKED_BY[kind] for kind in kinds if kind in _ASKED_BY), Paper.JSON)


@dataclass(frozen=True)
class Due:
    """Pieces of one product at one time of a day, as an order says it.

    feed: None where it is apart from any feed, or the feeds were not known. at: as it was on
    the order's first day.
    """

    count: float
    how: str
    feed: int | None
    at: datetime | None
    fish: str | None


def still_due(due: Sequence[Due], placed: float) -> Iterator[Due]:
    """What of an order is in no bucket yet. placed: how many of its pieces are in some bucket.

    >>> twice = [Due(2, "by hand", 1, None, None), Due(2, "by hand", 2, None, None)]
    >>> [(each.feed, each.count) for each in still_due(twice, 3)]
    [(2, 1)]
    """
    for each in due:
        taken = min(placed, each.count)
        placed -= taken
        if each.count - taken > _NOTHING:
            yield replace(each, count=each.count - taken)


def left_of(counts: Sequence[float], recorded: float) -> list[float]:
    """What waits of some portions, the earliest first, after so many pieces were recorded.

    >>> left_of([2, 2, 1], 4), left_of([4], 2), left_of([], 1)
    ([0.0, 0.0, 1.0], [2.0], [])
    """
    left = []
    for count in counts:
        taken = min(count, max(0.0, recorded))
        recorded -= taken
        rest = round(count - taken, 6)
        left.append(float(rest) if rest > _NOTHING else 0.0)
    return left


def time_of(due: Due, feeds: Mapping[int, datetime], day: date, zone: tzinfo) -> datetime | None:
    """When pieces are given on a day; None where nobody knows.

    With the feed of that number, where that is gone with the last one, as buckets do; apart
    from feeds at the same hour as on the order's first day; else with the first feed. feeds: of
    the day, by number.
    """
    if due.feed in feeds:
        return feeds[due.feed or 0]
    if due.feed is None and due.at is not None:
        return on_day(due.at, day, zone)
    times = feeds.values()
    return min(times, default=None) if due.feed is None else max(times, default=None)


def same_pieces(one: Mapping[str, float], other: Mapping[str, float]) -> bool:
    """Whether two orders are of the same pieces."""
    return one.keys() == other.keys() and all(
        abs(one[product] - other[product]) < _NOTHING for product in one
    )


def in_reading_order(at: datetime | None, name: str, code: str) -> tuple[bool, float, str, str]:
    """By time, what has none first: it must not be overlooked; then by name."""
    return at is not None, at.timestamp() if at else 0.0, name.casefold(), code


_LONG, _PART = 20, 4


def breakable(words: str) -> str:
    """Words with places to break where somebody wrote a very long one.

    >>> breakable("short words"), len(breakable("x" * 45))
    ('short words', 56)
    """
    return " ".join(word if len(word) <= _LONG else _broken(word) for word in words.split(" "))


def _broken(word: str) -> str:
    return "\u200b".join(word[n : n + _PART] for n in range(0, len(word), _PART))


def joined(words: Iterable[str | None], between: str = " · ") -> str:
    """What there is of some words."""
    return between.join(word for word in words if word)
