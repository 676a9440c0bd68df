"""What an animal ate, by lot."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func
from sqlalchemy import select as columns
from sqlmodel import Session, col

from service.catalogue.models import Product, Supplier
from service.feeding.models import Feed, FeedItem
from service.lots.models import Lot
from service.receiving.models import Delivery
from service.traceability.queries.whereabouts import feeds_that_stand, within


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


def lots_fed_to(
    session: Session, animal_id: int, from_at: datetime | None, to_at: datetime | None
) -> Sequence[LotFed]:
    """The lots an animal was fed from in [from, to), in order of first use. One query."""
    fed = (
        feeds_that_stand(col(FeedItem.lot_id))
        .where(col(Feed.animal_id) == animal_id, *within(from_at, to_at))
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
        .order_by(fed.c.first_at, col(Lot.code))
    )
    return [LotFed(*row) for row in session.execute(statement)]
