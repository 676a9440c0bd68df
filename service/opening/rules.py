"""What a row of an opening balance may say."""

from collections.abc import Iterator, Mapping
from datetime import date
from typing import NamedTuple

from service.lots.rules import ReceivedAs
from service.site.rules import PlaceKind

# In which state fish lies there. What thaws has clocks that began before the books.
KEPT_AS: Mapping[PlaceKind, ReceivedAs] = {
    PlaceKind.FREEZER: ReceivedAs.FROZEN,
    PlaceKind.REFRIGERATOR: ReceivedAs.CHILLED,
    PlaceKind.ICE: ReceivedAs.CHILLED,
}


class Same(NamedTuple):
    """By what two rows are the same fish, put into the books twice."""

    product_id: int
    place_id: int
    supplier_lot: str | None
    caught_from: date | None
    frozen_on: date | None
    received_on: date
    grams: int


def wrong_days(days: Mapping[str, date | None], today: date) -> Iterator[tuple[str, str]]:
    """(column, reason) of every day that cannot be.

    days : received_on, caught_from, caught_to, frozen_on; None where it is not known.

    >>> found = wrong_days({"received_on": date(2026, 9, 1), "caught_from": date(2026, 9, 2)},
    ...                    date(2026, 11, 25))
    >>> list(found)
    [('caught_from', '2026-09-02 lies after it was received on 2026-09-01')]
    """
    received = days.get("received_on") or today
    if received > today:
        yield "received_on", "lies in the future"
    for column in ("caught_from", "caught_to", "frozen_on"):
        day = days.get(column)
        if day is not None and day > received:
            yield column, f"{day} lies after it was received on {received}"
    caught, until, frozen = (days.get(c) for c in ("caught_from", "caught_to", "frozen_on"))
    if until is not None and caught is None:
        yield "caught_from", "is missing while caught_to is given"
    if until is not None and caught is not None and until < caught:
        yield "caught_to", "lies before caught_from"
    if frozen is not None and caught is not None and frozen < caught:
        yield "frozen_on", "lies before the catch"
