"""What a row of an opening balance may say."""

from collections.abc import Mapping
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
