"""What was done with fish at a site, and with which lots, between two instants."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, or_
from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, col

from service.ledger.models import Movement, Parcel, ThawBatch, Transfer
from service.ledger.rules import MovementKind
from service.lots.models import Hold, Lot
from service.site.models import Place


@dataclass(frozen=True)
class Carried:
    """Grams of one lot that a movement carried, from where to where; a place or an account."""

    lot: str
    grams: int
    from_where: str | None
    to_where: str | None
    thaw_batch: str | None


@dataclass(frozen=True)
class Handled:
    """One movement of the books; taken_back: it was reversed since."""

    number: int
    kind: MovementKind
    at: datetime
    by: str
    reason: str | None
    taken_back: bool
    carried: Sequence[Carried]


@dataclass(frozen=True)
class HoldOfDay:
    """A hold that was placed, or released, in the time asked."""

    lot: str
    hold: Hold


def handled(
    session: Session,
    site_id: int,
    begin: datetime,
    end: datetime,
    *,
    without: Collection[MovementKind] = (),
    limit: int,
) -> list[Handled]:
    """Movements of a site from an instant until before another, in order. Two queries.

    Cost grows with what happened in that time, not with the books.
    """
    undo = aliased(Movement)
    statement = (
        columns(Movement, col(undo.id))
        .outerjoin(undo, col(undo.reverses_id) == col(Movement.id))
        .where(
            col(Movement.site_id) == site_id,
            col(Movement.occurred_at) >= begin,
            col(Movement.occurred_at) < end,
            col(Movement.kind).not_in(list(without)),
        )
        .order_by(col(Movement.occurred_at), col(Movement.id))
        .limit(limit)
    )
    rows = session.execute(statement).all()
    carried = _carried(session, [movement.id for movement, _ in rows])
    return [
        Handled(
            number=movement.id,
            kind=MovementKind(movement.kind),
            at=movement.occurred_at,
            by=movement.by,
            reason=movement.reason,
            taken_back=undone is not None,
            carried=carried.get(movement.id, ()),
        )
        for movement, undone in rows
    ]


def _carried(session: Session, movement_ids: Collection[int]) -> Mapping[int, Sequence[Carried]]:
    source, target = aliased(Parcel), aliased(Parcel)
    here, there = aliased(Place), aliased(Place)
    key = (
        col(Transfer.movement_id),
        col(Lot.code),
        func.coalesce(col(here.code), col(Transfer.from_account)),
        func.coalesce(col(there.code), col(Transfer.to_account)),
        col(ThawBatch.code),
    )
    batch = func.coalesce(col(target.thaw_batch_id), col(source.thaw_batch_id))
    statement = (
        columns(*key, func.sum(col(Transfer.grams)))
        .join(Lot, col(Lot.id) == col(Transfer.lot_id))
        .outerjoin(source, col(source.id) == col(Transfer.from_parcel_id))
        .outerjoin(target, col(target.id) == col(Transfer.to_parcel_id))
        .outerjoin(here, col(here.id) == col(source.place_id))
        .outerjoin(there, col(there.id) == col(target.place_id))
        .outerjoin(ThawBatch, col(ThawBatch.id) == batch)
        .where(col(Transfer.movement_id).in_(movement_ids))
        .group_by(*key)
        .order_by(col(Transfer.movement_id), col(Lot.code))
    )
    found: dict[int, list[Carried]] = defaultdict(list)
    for movement, lot, from_where, to_where, code, grams in session.execute(statement):
        found[movement].append(Carried(lot, int(grams), from_where, to_where, code))
    return found


def holds_between(
    session: Session, site_id: int, begin: datetime, end: datetime
) -> list[HoldOfDay]:
    """Holds placed or released from an instant until before another. One query."""
    placed, released = col(Hold.placed_at), col(Hold.released_at)
    statement = (
        columns(Hold, col(Lot.code))
        .join(Lot, col(Lot.id) == col(Hold.lot_id))
        .where(
            col(Lot.site_id) == site_id,
            or_(
                (placed >= begin) & (placed < end),
                (released >= begin) & (released < end),
            ),
        )
        .order_by(col(Hold.id))
    )
    return [HoldOfDay(lot, hold) for hold, lot in session.execute(statement)]
