"""Every select of feeds, and of what they name."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, select

from service.animals.models import Animal, AnimalGroup
from service.catalogue.models import Product
from service.database import rows_where_in
from service.errors import NotFound
from service.feeding.models import Feed, FeedItem, FeedShare
from service.feeding.rules import Portion
from service.ledger.models import Movement, ThawBatch
from service.ledger.queries import batch_of
from service.ledger.rules import Batch
from service.lots.models import Lot
from service.security.actor import Actor


@dataclass(frozen=True)
class ItemView:
    """What was offered from one thaw batch, and what became of it."""

    thaw_batch: str
    lot: str
    species: str
    portion: Portion


@dataclass(frozen=True)
class FeedView:
    """A feed with the codes of what it names. Neither animal nor group: given to the public."""

    id: int
    site_id: int
    animal: str | None
    group: str | None
    present: int | None
    kind: str
    outcome: str
    occurred_at: datetime
    recorded_at: datetime
    day: date
    by: str
    appetite: str
    note: str | None
    movement_id: int
    clock_corrected_s: int
    corrects: int | None
    taken_back: bool
    items: tuple[ItemView, ...]


def animals_by_code(session: Session, codes: Iterable[str]) -> dict[str, Animal]:
    """The animals of these codes; one that is missing is not there. One query."""
    found = session.execute(rows_where_in(Animal.code), {"keys": list(set(codes))}).scalars()
    return {animal.code: animal for animal in found}


def batches_by_code(session: Session, codes: Iterable[str]) -> dict[str, Batch]:
    """The thaw batches of these codes; one that is missing is not there. One query."""
    found = session.execute(rows_where_in(ThawBatch.code), {"keys": list(set(codes))}).scalars()
    return {batch.code: batch_of(batch) for batch in found}


def fish_per_kg(session: Session, product_ids: Iterable[int]) -> dict[int, float]:
    """How many fish of these products are a kilogram, where the product says so. One query."""
    found = session.execute(rows_where_in(Product.id), {"keys": list(set(product_ids))}).scalars()
    fish = {product.id or 0: product.shape.get("fish") or {} for product in found}
    return {id_: float(said["per_kg"]) for id_, said in fish.items() if said.get("per_kg")}


def feed_by_id(session: Session, number: int, *, by: Actor) -> Feed:
    """The feed of this number. Raises NotFound, and NotAllowed at somebody else's site."""
    found = session.get(Feed, number)
    if found is None:
        raise NotFound.of("feed", number, "feed")
    by.ensure_site(found.site_id)
    return found


def feed_of_movement(session: Session, movement_id: int) -> Feed | None:
    """The feed that a movement is of; None for any other movement. One query."""
    return session.exec(select(Feed).where(col(Feed.movement_id) == movement_id)).first()


def items_of(session: Session, feed_id: int) -> Sequence[FeedItem]:
    """A feed's items in order. One query."""
    statement = select(FeedItem).where(col(FeedItem.feed_id) == feed_id)
    return session.exec(statement.order_by(col(FeedItem.number))).all()


def shares_of(session: Session, feed_id: int) -> Sequence[FeedShare]:
    """Who was there at a group's feed, in order. One query."""
    statement = select(FeedShare).where(col(FeedShare.feed_id) == feed_id)
    return session.exec(statement.order_by(col(FeedShare.number))).all()


@dataclass(frozen=True)
class Asked:
    """Which feeds are asked for: what is None does not matter. from_day and to_day included."""

    animal_id: int | None = None
    group_id: int | None = None
    kind: str | None = None
    outcome: str | None = None
    from_day: date | None = None
    to_day: date | None = None

    def conditions(self) -> list[Any]:
        """As conditions on a feed."""
        given = [
            (col(Feed.animal_id), self.animal_id),
            (col(Feed.group_id), self.group_id),
            (col(Feed.kind), self.kind),
            (col(Feed.outcome), self.outcome),
        ]
        found: list[Any] = [column == value for column, value in given if value is not None]
        if self.from_day is not None:
            found.append(col(Feed.day) >= self.from_day)
        if self.to_day is not None:
            found.append(col(Feed.day) <= self.to_day)
        return found


def feeds(
    session: Session, site_ids: Sequence[int], asked: Asked, *, limit: int, before_id: int | None
) -> list[FeedView]:
    """The newest feeds recorded at these sites, those that were taken back too. Two queries."""
    statement = _feeds_select().where(col(Feed.site_id).in_(site_ids), *asked.conditions())
    if before_id is not None:
        statement = statement.where(col(Feed.id) < before_id)
    rows = session.execute(statement.order_by(col(Feed.id).desc()).limit(limit)).all()
    return _views(session, rows)


def feed_view(session: Session, number: int) -> FeedView:
    """One feed as it is shown. Two queries."""
    rows = session.execute(_feeds_select().where(col(Feed.id) == number)).all()
    (found,) = _views(session, rows)
    return found


def _feeds_select() -> Any:
    undo = aliased(Movement)
    return (
        columns(Feed, col(Animal.code), col(AnimalGroup.code), col(undo.id))
        .outerjoin(Animal, col(Animal.id) == col(Feed.animal_id))
        .outerjoin(AnimalGroup, col(AnimalGroup.id) == col(Feed.group_id))
        .outerjoin(undo, col(undo.reverses_id) == col(Feed.movement_id))
    )


def _views(session: Session, rows: Sequence[Any]) -> list[FeedView]:
    items = _items(session, [row[0].id for row in rows])
    return [
        FeedView(
            id=feed.id,
            site_id=feed.site_id,
            animal=animal,
            group=group,
            present=feed.present,
            kind=feed.kind,
            outcome=feed.outcome,
            occurred_at=feed.occurred_at,
            recorded_at=feed.recorded_at,
            day=feed.day,
            by=feed.by,
            appetite=feed.appetite,
            note=feed.note,
            movement_id=feed.movement_id,
            clock_corrected_s=feed.clock_corrected_s,
            corrects=feed.corrects_id,
            taken_back=undone is not None,
            items=tuple(items.get(feed.id, ())),
        )
        for feed, animal, group, undone in rows
    ]


def _items(session: Session, feed_ids: Sequence[int]) -> Mapping[int, list[ItemView]]:
    statement = (
        columns(FeedItem, col(ThawBatch.code), col(Lot.code), col(Lot.species_code))
        .join(ThawBatch, col(ThawBatch.id) == col(FeedItem.thaw_batch_id))
        .join(Lot, col(Lot.id) == col(FeedItem.lot_id))
        .where(col(FeedItem.feed_id).in_(feed_ids))
        .order_by(col(FeedItem.feed_id), col(FeedItem.number))
    )
    found: dict[int, list[ItemView]] = {}
    for item, batch, lot, species in session.execute(statement):
        view = ItemView(batch, lot, species, portion_of(item))
        found.setdefault(item.feed_id, []).append(view)
    return found


def portion_of(item: FeedItem) -> Portion:
    """A stored item as the rules see it."""
    return Portion(
        item.offered_g,
        item.eaten_g,
        item.left_g,
        item.cold_g,
        item.lost_g,
        item.pieces_offered,
        item.pieces_eaten,
    )
