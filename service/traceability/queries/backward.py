"""What an animal ate, by lot."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import func
from sqlalchemy import select as columns
from sqlmodel import Session, col

from service.catalogue.models import Product, Supplier
from service.feeding.models import Feed, FeedItem, FeedShare
from service.lots.models import Lot
from service.receiving.models import Delivery
from service.traceability.queries.whereabouts import feeds_that_stand, together, within


@dataclass(frozen=True)
class LotFed:
    """What one animal got of one lot, and what its supplier called the lot."""

    lot: str
    species: str
    product: str
    supplier: str
    supplier_lot: str | None
    feeds: int
    offered_g: int
    eaten_g: int
    left_g: int
    first_at: datetime
    last_at: datetime
    estimated_g: int = 0


def lots_fed_to(
    session: Session, animal_id: int, from_at: datetime | None, to_at: datetime | None
) -> Sequence[LotFed]:
    """The lots an animal was fed from in [from, to), in order of first use. Two queries.

    Of what its group was given, its even part: it may have eaten of it.
    """
    found: dict[str, LotFed] = {}
    for shared in (False, True):
        for lot in _lots_fed_to(session, animal_id, from_at, to_at, shared=shared):
            known = found.get(lot.lot)
            found[lot.lot] = lot if known is None else together(known, lot)
    return sorted(found.values(), key=lambda lot: (lot.first_at, lot.lot))


def _lots_fed_to(
    session: Session,
    animal_id: int,
    from_at: datetime | None,
    to_at: datetime | None,
    *,
    shared: bool,
) -> Iterator[LotFed]:
    eater = col(FeedShare.animal_id) if shared else col(Feed.animal_id)
    fed = (
        feeds_that_stand(col(FeedItem.lot_id), shared=shared)
        .where(eater == animal_id, *within(from_at, to_at))
        .group_by(col(FeedItem.lot_id))
        .subquery()
    )
    of_lot, *sums = fed.c
    supplier = func.coalesce(col(Delivery.supplier_id), col(Product.supplier_id))
    statement = (
        columns(
            col(Lot.code),
            col(Lot.species_code),
            col(Product.code),
            col(Supplier.code),
            col(Lot.supplier_lot),
            *sums,
        )
        .join(fed, of_lot == col(Lot.id))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .outerjoin(Delivery, col(Delivery.id) == col(Lot.delivery_id))
        .join(Supplier, col(Supplier.id) == supplier)
    )
    for row in session.execute(statement):
        yield replace(LotFed(*row), estimated_g=row.eaten_g if shared else 0)
