"""Buckets with everything that is known of them."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import func
from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, exists, or_, select

from service.animals.models import Animal, AnimalGroup
from service.buckets import models
from service.buckets.models import Bucket, BucketEvent, BucketItem, BucketPiece
from service.buckets.rules.pieces import PieceKind, PieceOutcome
from service.buckets.rules.states import ENDS, BucketState, EventKind, Happened, state_of
from service.database import rows_where_in
from service.errors import NotFound
from service.feeding.models import Feed
from service.ledger.models import Movement, ThawBatch
from service.lots.models import Lot
from service.security.actor import Actor


@dataclass(frozen=True)
class Fish:
    """Fish of one thaw batch in a bucket, with the codes of what it is."""

    item: BucketItem
    thaw_batch: str
    lot: str
    species: str

    @property
    def grams(self) -> int:
        """As it was weighed out, else as planned."""
        return self.item.planned_g if self.item.weighed_g is None else self.item.weighed_g


@dataclass(frozen=True)
class Piece:
    """Pieces in the fish of a bucket, for whom, and what became of them."""

    piece: BucketPiece
    animal: str
    outcome: PieceOutcome | None

    @property
    def kind(self) -> PieceKind:
        """What it is."""
        return PieceKind.SUPPLEMENT if self.piece.order_id is None else PieceKind.MEDICATION


@dataclass(frozen=True)
class BucketView:
    """A bucket with its fish, its pieces and what happened to it."""

    bucket: Bucket
    animal: str | None
    group: str | None
    fish: tuple[Fish, ...]
    pieces: tuple[Piece, ...]
    events: tuple[Happened, ...]
    feed_id: int | None

    @property
    def state(self) -> BucketState:
        """How far it is."""
        return state_of(self.events)

    @property
    def ended_at(self) -> datetime | None:
        """When it was fed, discarded or given up; None while it is open."""
        return max((e.at for e in self.events if e.kind in ENDS), default=None)

    @property
    def whose(self) -> str:
        """The code of its animal or group."""
        return self.animal or self.group or ""

    @property
    def medicated(self) -> bool:
        """Whether a medicine was put into its fish."""
        return any(p.kind is PieceKind.MEDICATION for p in self.pieces)


@dataclass(frozen=True)
class Asked:
    """Which buckets are asked for; None: whatever it is."""

    site_ids: Sequence[int]
    day: date | None = None
    animal_id: int | None = None
    group_id: int | None = None
    open_only: bool = False


def bucket_by_code(session: Session, code: str, *, by: Actor, lock: bool = False) -> Bucket:
    """The bucket of this code. Raises NotFound, and NotAllowed at somebody else's site."""
    statement = select(Bucket).where(col(Bucket.code) == code.upper())
    found = session.exec(statement.with_for_update() if lock else statement).one_or_none()
    if found is None:
        raise NotFound.of("bucket", code, "bucket")
    by.ensure_site(found.site_id)
    return found


def buckets_by_code(session: Session, codes: Sequence[str]) -> list[Bucket]:
    """The buckets of these codes, in their order. One query."""
    rows = session.execute(rows_where_in(Bucket.code), {"keys": list(codes)}).scalars()
    found = {bucket.code: bucket for bucket in rows}
    return [found[code] for code in codes]


def buckets_by_id(session: Session, ids: Sequence[int]) -> list[Bucket]:
    """The buckets of these numbers. One query."""
    return list(session.execute(rows_where_in(Bucket.id), {"keys": list(set(ids))}).scalars())


def locked(session: Session, ids: Sequence[int]) -> None:
    """Lock buckets in the order of their numbers, so that nobody deadlocks. One query."""
    chosen = select(Bucket).where(col(Bucket.id).in_(ids)).order_by(col(Bucket.id))
    session.exec(chosen.with_for_update().execution_options(populate_existing=True)).all()


def is_open() -> Any:
    """A bucket that nothing has ended yet, as a condition."""
    ended = exists().where(
        col(BucketEvent.bucket_id) == col(Bucket.id), col(BucketEvent.kind).in_(ENDS)
    )
    return ~ended


def buckets(
    session: Session, asked: Asked, *, limit: int, after: tuple[datetime, int] | None = None
) -> Sequence[Bucket]:
    """Buckets in the order of their feeds. One query."""
    statement = (
        select(Bucket)
        .where(col(Bucket.site_id).in_(asked.site_ids))
        .order_by(col(Bucket.feed_at), col(Bucket.id))
        .limit(limit)
    )
    for column, value in (
        (Bucket.day, asked.day),
        (Bucket.animal_id, asked.animal_id),
        (Bucket.group_id, asked.group_id),
    ):
        if value is not None:
            statement = statement.where(col(column) == value)
    if asked.open_only:
        statement = statement.where(is_open())
    if after is not None:
        at, number = after
        statement = statement.where(
            or_(
                col(Bucket.feed_at) > at,
                (col(Bucket.feed_at) == at) & (col(Bucket.id) > number),
            )
        )
    return session.exec(statement).all()


def views(session: Session, found: Sequence[Bucket]) -> list[BucketView]:
    """These buckets with everything known of them, in their order. Six queries for any number."""
    if not found:
        return []
    ids = [bucket.id or 0 for bucket in found]
    fish, pieces, events = _fish(session, ids), _pieces(session, ids), _events(session, ids)
    animals = _codes(session, Animal, [b.animal_id for b in found])
    groups = _codes(session, AnimalGroup, [b.group_id for b in found])
    return [
        BucketView(
            bucket,
            animals.get(bucket.animal_id or 0),
            groups.get(bucket.group_id or 0),
            tuple(fish[bucket.id or 0]),
            tuple(pieces[bucket.id or 0]),
            tuple(happened for happened, _ in events[bucket.id or 0]),
            next((feed for _, feed in reversed(events[bucket.id or 0]) if feed), None),
        )
        for bucket in found
    ]


def view(session: Session, bucket: Bucket) -> BucketView:
    """One bucket with everything known of it."""
    return views(session, [bucket])[0]


def whose(
    session: Session, animal_id: int | None, group_id: int | None
) -> tuple[str | None, str | None]:
    """The code of an animal or a group, by primary key."""
    if animal_id is not None:
        return session.get_one(Animal, animal_id).code, None
    return None, session.get_one(AnimalGroup, group_id).code


def _codes(session: Session, model: Any, ids: Sequence[int | None]) -> dict[int, str]:
    wanted = {id_ for id_ in ids if id_ is not None}
    if not wanted:
        return {}
    rows = session.execute(rows_where_in(model.id), {"keys": list(wanted)}).scalars()
    return {row.id: row.code for row in rows}


def _fish(session: Session, ids: Sequence[int]) -> Mapping[int, list[Fish]]:
    statement = (
        columns(BucketItem, col(ThawBatch.code), col(Lot.code), col(Lot.species_code))
        .join(ThawBatch, col(ThawBatch.id) == col(BucketItem.thaw_batch_id))
        .join(Lot, col(Lot.id) == col(ThawBatch.lot_id))
        .where(col(BucketItem.bucket_id).in_(ids))
        .order_by(col(BucketItem.bucket_id), col(BucketItem.number))
    )
    found: dict[int, list[Fish]] = defaultdict(list)
    for row in session.execute(statement):
        found[row[0].bucket_id].append(Fish(*row))
    return found


def _pieces(session: Session, ids: Sequence[int]) -> Mapping[int, list[Piece]]:
    became: dict[tuple[int, int], str] = {}
    outcome = models.PieceOutcome
    for row in session.exec(
        select(outcome).where(col(outcome.bucket_id).in_(ids)).order_by(col(outcome.id))
    ):
        became[row.bucket_id, row.number] = row.outcome
    statement = (
        columns(BucketPiece, col(Animal.code))
        .join(Animal, col(Animal.id) == col(BucketPiece.animal_id))
        .where(col(BucketPiece.bucket_id).in_(ids))
        .order_by(col(BucketPiece.bucket_id), col(BucketPiece.number))
    )
    found: dict[int, list[Piece]] = defaultdict(list)
    for piece, animal in session.execute(statement):
        said = became.get((piece.bucket_id, piece.number))
        found[piece.bucket_id].append(Piece(piece, animal, PieceOutcome(said) if said else None))
    return found


def _events(
    session: Session, ids: Sequence[int]
) -> Mapping[int, list[tuple[Happened, int | None]]]:
    """What happened, in order; a feed that was taken back, and not corrected, did not."""
    undo, correction = aliased(Movement), aliased(Feed)
    statement = (
        columns(BucketEvent)
        .outerjoin(Feed, col(Feed.id) == col(BucketEvent.feed_id))
        .outerjoin(undo, col(undo.reverses_id) == col(Feed.movement_id))
        .outerjoin(correction, col(correction.corrects_id) == col(Feed.id))
        .where(
            col(BucketEvent.bucket_id).in_(ids),
            or_(col(undo.id).is_(None), col(correction.id).is_not(None)),
        )
        .order_by(col(BucketEvent.id))
    )
    found: dict[int, list[tuple[Happened, int | None]]] = defaultdict(list)
    for event in session.execute(statement).scalars():
        happened = Happened(EventKind(event.kind), event.occurred_at, event.id or 0)
        found[event.bucket_id].append((happened, event.feed_id))
    return found


def fed_from_buckets(session: Session, feed_ids: Sequence[int]) -> frozenset[int]:
    """Which of these feeds came from buckets. One query."""
    statement = columns(col(BucketEvent.feed_id)).where(col(BucketEvent.feed_id).in_(feed_ids))
    return frozenset(row[0] for row in session.execute(statement))


def spoken_for(
    session: Session, batch_ids: Sequence[int], *, but: int | None = None
) -> Mapping[int, int]:
    """Grams of thaw batches that open buckets hold, one bucket left out. One query."""
    held = func.coalesce(col(BucketItem.weighed_g), col(BucketItem.planned_g))
    statement = (
        columns(col(BucketItem.thaw_batch_id), func.sum(held))
        .join(Bucket, col(Bucket.id) == col(BucketItem.bucket_id))
        .where(col(BucketItem.thaw_batch_id).in_(batch_ids), is_open())
        .group_by(col(BucketItem.thaw_batch_id))
    )
    if but is not None:
        statement = statement.where(col(Bucket.id) != but)
    return {batch: int(grams) for batch, grams in session.execute(statement)}
