"""Every select of feeds."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, col

from service.feeding.models import Feed, FeedItem
from service.ledger.models import Movement
from service.lots.models import Lot


@dataclass(frozen=True)
class Eaten:
    """One item of a feed that stands."""

    feed_id: int
    occurred_at: datetime
    lot_id: int
    lot: str
    species: str
    offered_g: int
    eaten_g: int
    left_g: int


def eaten_by(
    session: Session, animal_id: int, from_at: datetime, to_at: datetime
) -> Sequence[Eaten]:
    """Items of an animal's feeds in [from, to) that were not taken back. One query."""
    undo = aliased(Movement)
    statement = (
        columns(
            col(Feed.id),
            col(Feed.occurred_at),
            col(FeedItem.lot_id),
            col(Lot.code),
            col(Lot.species_code),
            col(FeedItem.offered_g),
            col(FeedItem.eaten_g),
            col(FeedItem.left_g),
        )
        .join(FeedItem, col(FeedItem.feed_id) == col(Feed.id))
        .join(Lot, col(Lot.id) == col(FeedItem.lot_id))
        .outerjoin(undo, col(undo.reverses_id) == col(Feed.movement_id))
        .where(
            col(Feed.animal_id) == animal_id,
            col(Feed.occurred_at) >= from_at,
            col(Feed.occurred_at) < to_at,
            col(undo.id).is_(None),
        )
        .order_by(col(Feed.occurred_at), col(Feed.id), col(FeedItem.number))
    )
    return [Eaten(*row) for row in session.execute(statement)]


def grams_by_lot(items: Sequence[Eaten]) -> Mapping[tuple[int, str, str], int]:
    """Grams eaten by (lot id, lot, species), in order of first use."""
    totals: dict[tuple[int, str, str], int] = {}
    for item in items:
        key = (item.lot_id, item.lot, item.species)
        totals[key] = totals.get(key, 0) + item.eaten_g
    return totals
