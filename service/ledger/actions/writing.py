"""Writing one movement: the only code that changes a parcel's grams."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session

from service.database import insert_rows, next_ids
from service.ledger import queries
from service.ledger.models import Movement, Parcel, ThawBatch, Transfer
from service.ledger.rules import Account, Batch, MovementKind, Take
from service.security.actor import Actor


@dataclass(frozen=True)
class Event:
    """When and by whom something happens to stock, and what of."""

    kind: MovementKind
    site_id: int
    occurred_at: datetime
    at: datetime
    by: Actor
    reason: str | None = None
    reverses_id: int | None = None
    count_id: int | None = None

    @property
    def is_late(self) -> bool:
        """Whether something later may be in the books already."""
        return self.occurred_at < self.at or self.reverses_id is not None


@dataclass(frozen=True)
class Leg:
    """Grams from one end to another; a parcel that is to be opened is not yet stored."""

    lot_id: int
    source: Parcel | Account
    target: Parcel | Account
    grams: int
    cartons: int | None = None

    @property
    def parcels(self) -> tuple[Parcel, ...]:
        """The ends of it that are parcels."""
        return tuple(end for end in (self.source, self.target) if isinstance(end, Parcel))


def store(session: Session, event: Event, legs: Sequence[Leg]) -> Movement:
    """Store a movement and its transfers, and adjust the parcels' balances.

    Settles nothing: use `posting.post` for what a person did. Three statements.
    """
    movement = Movement(**_movement(event))
    session.add(movement)
    _adjust(session, legs)
    session.flush()
    assert movement.id is not None
    session.add_all(Transfer(**_transfer(movement.id, leg)) for leg in legs)
    session.flush()
    return movement


def store_all(session: Session, entries: Sequence[tuple[Event, Sequence[Leg]]]) -> list[int]:
    """Store many movements with their transfers; their numbers in the same order.

    Settles nothing, as `store`. Three statements for any number, and one for each parcel.
    """
    connection = session.connection()
    numbers = next_ids(connection, "movement", len(entries))
    rows = [
        {"id": number, **_movement(event)}
        for number, (event, _) in zip(numbers, entries, strict=True)
    ]
    insert_rows(connection, "movement", rows)
    _adjust(session, [leg for _, legs in entries for leg in legs])
    session.flush()
    transfers = [
        _transfer(number, leg)
        for number, (_, legs) in zip(numbers, entries, strict=True)
        for leg in legs
    ]
    insert_rows(connection, "transfer", transfers)
    return numbers


def _adjust(session: Session, legs: Sequence[Leg]) -> None:
    changes: dict[int, tuple[Parcel, int, int]] = {}
    for leg in legs:
        for end, sign in ((leg.source, -1), (leg.target, 1)):
            if isinstance(end, Parcel):
                _, grams, cartons = changes.get(id(end), (end, 0, 0))
                counted = sign * (leg.cartons or 0)
                changes[id(end)] = (end, grams + sign * leg.grams, cartons + counted)
    for parcel, grams, cartons in changes.values():
        parcel.grams += grams
        if parcel.cartons is not None:
            parcel.cartons += cartons
        session.add(parcel)


def _movement(event: Event) -> dict[str, Any]:
    return {
        "site_id": event.site_id,
        "kind": event.kind,
        "occurred_at": event.occurred_at,
        "recorded_at": event.at,
        "by": event.by.name,
        "reason": event.reason,
        "reverses_id": event.reverses_id,
        "count_id": event.count_id,
    }


def _transfer(movement_id: int, leg: Leg) -> dict[str, Any]:
    return {
        "movement_id": movement_id,
        "lot_id": leg.lot_id,
        "grams": leg.grams,
        "cartons": leg.cartons,
        "from_parcel_id": leg.source.id if isinstance(leg.source, Parcel) else None,
        "to_parcel_id": leg.target.id if isinstance(leg.target, Parcel) else None,
        "from_account": leg.source if isinstance(leg.source, Account) else None,
        "to_account": leg.target if isinstance(leg.target, Account) else None,
    }


def open_surplus(
    session: Session, lot_id: int, place_id: int, at: datetime, *, thaw_batch_id: int | None = None
) -> Parcel:
    """An empty parcel for fish that the books do not know, with the lot's worst history there.

    In a thaw batch it belongs to that batch; where nothing is said, to the
    batch of the worst fish of the lot in that place, if that is in one.
    """
    parcels = [p for p in queries.lot_parcels(session, lot_id) if p.opened_at <= at]
    batch = [p for p in parcels if thaw_batch_id in (None, p.thaw_batch_id)]
    here = [p for p in batch if p.place_id == place_id]
    worst = queries.most_exposed_first(parcels, here or batch or parcels)[:1]
    if thaw_batch_id is None and here:
        thaw_batch_id = worst[0].thaw_batch_id
    opened = Parcel(
        lot_id=lot_id,
        place_id=place_id,
        grams=0,
        parent_id=worst[0].id if worst else None,
        thaw_batch_id=thaw_batch_id,
        opened_at=at,
    )
    session.add(opened)
    session.flush()
    return opened


def open_batch(
    session: Session,
    code: str,
    *,
    site_id: int,
    lot_id: int,
    at: datetime,
    split_from_id: int | None = None,
    split_at: datetime | None = None,
) -> Batch:
    """A new thaw batch of a lot that leaves, or as part of another has left, the freezer `at`."""
    batch = ThawBatch(
        code=code,
        site_id=site_id,
        lot_id=lot_id,
        left_freezer_at=at,
        split_from_id=split_from_id,
        split_at=split_at,
    )
    session.add(batch)
    session.flush()
    return queries.batch_of(batch)


def open_children(
    session: Session,
    takes: Sequence[Take],
    *,
    place_id: int,
    opened_at: datetime,
    thaw_batch_id: int | None,
    count_cartons: bool = True,
) -> list[Leg]:
    """A child in another place for each parcel taken from: histories are never mixed.

    Pulled cartons are opened, so what thaws is not counted in cartons any more.
    """
    sources = queries.parcels_by_id(session, [take.parcel_id for take in takes])
    legs = []
    for take in takes:
        source = sources[take.parcel_id]
        child = Parcel(
            lot_id=source.lot_id,
            parent_id=source.id,
            place_id=place_id,
            opened_at=opened_at,
            thaw_batch_id=thaw_batch_id,
            grams=0,
            cartons=0 if take.cartons and count_cartons else None,
        )
        session.add(child)
        legs.append(Leg(source.lot_id, source, child, take.grams, take.cartons))
    session.flush()
    return legs
