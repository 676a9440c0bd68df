"""Laboratory results that hold a lot and that nobody keeps watch for yet."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import select as columns
from sqlmodel import Session, col, exists

from service.assays.models import Assay, AssayTest, AssayWithdrawal
from service.feeding.models import FeedItem
from service.lots.models import Lot
from service.watch_list.models import WatchCause

FAILED = "reject"


@dataclass(frozen=True)
class BadAssay:
    """An assay with tests out of limits that hold a lot."""

    id: int
    lot_id: int
    site_id: int
    lot: str
    sampled_on: date
    laboratory: str
    tests: tuple[str, ...]


def unwatched(session: Session, since: datetime) -> Sequence[BadAssay]:
    """Failed assays recorded since then, of lots that were fed, without a watch. One query.

    By an index of the tests that failed: few, whatever the history. Not those withdrawn.
    """
    withdrawn = exists().where(col(AssayWithdrawal.assay_id) == col(Assay.id))
    watched = exists().where(col(WatchCause.assay_id) == col(Assay.id))
    fed = exists().where(col(FeedItem.lot_id) == col(Assay.lot_id), col(FeedItem.eaten_g) > 0)
    statement = (
        columns(Assay, Lot, col(AssayTest.test))
        .join(Assay, col(Assay.id) == col(AssayTest.assay_id))
        .join(Lot, col(Lot.id) == col(Assay.lot_id))
        .where(
            col(AssayTest.verdict) == FAILED,
            col(Assay.recorded_at) >= since,
            ~withdrawn,
            ~watched,
            fed,
        )
        .order_by(col(AssayTest.assay_id), col(AssayTest.test))
    )
    found: dict[int, BadAssay] = {}
    for assay, lot, test in session.execute(statement):
        known = found.get(assay.id)
        found[assay.id] = BadAssay(
            assay.id,
            assay.lot_id,
            lot.site_id,
            lot.code,
            assay.sampled_on,
            assay.laboratory,
            (*(known.tests if known else ()), test),
        )
    return list(found.values())
