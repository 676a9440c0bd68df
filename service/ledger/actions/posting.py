"""Writing one movement: the only code that changes a parcel's grams."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.ledger import queries
from service.ledger.models import Movement, Parcel, StockCount, ThawBatch, Transfer
from service.ledger.rules import Account, Batch, MovementKind, Take, cartons_left, take_from
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


@dataclass(frozen=True)
class Leg:
    """Grams from one end to another; a parcel that is to be opened is not yet stored."""

    lot_id: int
    source: Parcel | Account
    target: Parcel | Account
    grams: int
    cartons: int | None = None


def post(session: Session, event: Event, legs: Sequence[Leg]) -> Movement:
    """Store a movement and its transfers, and adjust the parcels' balances.

    Then settle the first later count of every lot and place touched, so that a
    late record leaves the books as if it had come in time. Cost: a few
    statements, and one more per lot and place for an entry that comes late.
    """
    movement = _store(session, event, legs)
    if event.occurred_at < event.at:
        for (lot_id, place_id), grams in _changes(legs).items():
            _settle_later_count(session, event, lot_id, place_id, grams)
    return movement


def _store(session: Session, event: Event, legs: Sequence[Leg]) -> Movement:
    movement = Movement(
        site_id=event.site_id,
        kind=event.kind,
        occurred_at=event.occurred_at,
        recorded_at=event.at,
        by=event.by.name,
        reason=event.reason,
        reverses_id=event.reverses_id,
        count_id=event.count_id,
    )
    session.add(movement)
    for leg in legs:
        for end, sign in ((leg.source, -1), (leg.target, 1)):
            if isinstance(end, Parcel):
                end.grams += sign * leg.grams
                if end.cartons is not None and leg.cartons is not None:
                    end.cartons += sign * leg.cartons
                session.add(end)
    session.flush()
    assert movement.id is not None
    session.add_all(_transfer(movement.id, leg) for leg in legs)
    session.flush()
    return movement


def _transfer(movement_id: int, leg: Leg) -> Transfer:
    return Transfer(
        movement_id=movement_id,
        lot_id=leg.lot_id,
        grams=leg.grams,
        cartons=leg.cartons,
        from_parcel_id=leg.source.id if isinstance(leg.source, Parcel) else None,
        to_parcel_id=leg.target.id if isinstance(leg.target, Parcel) else None,
        from_account=leg.source if isinstance(leg.source, Account) else None,
        to_account=leg.target if isinstance(leg.target, Account) else None,
    )


def _changes(legs: Iterable[Leg]) -> dict[tuple[int, int], int]:
    changes: dict[tuple[int, int], int] = {}
    for leg in legs:
        for end, sign in ((leg.source, -1), (leg.target, 1)):
            if isinstance(end, Parcel):
                key = (leg.lot_id, end.place_id)
                changes[key] = changes.get(key, 0) + sign * leg.grams
    return {key: grams for key, grams in changes.items() if grams}


def _settle_later_count(
    session: Session, event: Event, lot_id: int, place_id: int, change_g: int
) -> None:
    """What was counted later still holds: undo the change at the count's instant."""
    count = queries.first_count_after(
        session, lot_id, place_id, event.occurred_at, but=event.count_id
    )
    if count is None:
        return
    assert count.id is not None
    settling = Event(
        kind=MovementKind.COUNTED,
        site_id=event.site_id,
        occurred_at=count.occurred_at,
        at=event.at,
        by=event.by,
        count_id=count.id,
        reason="settled with a record that came after the count",
    )
    legs = difference_legs(session, count, -change_g)
    if legs:
        _store(session, settling, legs)


def difference_legs(session: Session, count: StockCount, difference_g: int) -> list[Leg]:
    """Transfers that bring the books to a count: first undo what the count did before.

    A shortage leaves the least exposed parcels (the fish that is gone is taken
    to be the best); a surplus opens a parcel with the worst history of that lot
    in that place.
    """
    if difference_g > 0:
        return _surplus(session, count, difference_g)
    return _shortage(session, count, -difference_g) if difference_g < 0 else []


def _surplus(session: Session, count: StockCount, grams: int) -> list[Leg]:
    assert count.id is not None
    legs: list[Leg] = []
    taken = {p: g for p, g in queries.count_settlement(session, count.id).items() if g > 0}
    parcels = queries.parcels_by_id(session, list(taken))
    for parcel_id, took in taken.items():
        back = min(took, grams)
        if back > 0:
            legs.append(Leg(count.lot_id, Account.COUNT_DIFFERENCE, parcels[parcel_id], back))
            grams -= back
    if grams > 0:
        opened = open_surplus(session, count.lot_id, count.place_id, count.occurred_at)
        legs.append(Leg(count.lot_id, Account.COUNT_DIFFERENCE, opened, grams))
    return legs


def _shortage(session: Session, count: StockCount, grams: int) -> list[Leg]:
    assert count.id is not None
    added = {p for p, g in queries.count_settlement(session, count.id).items() if g < 0}
    holdings = queries.holdings(
        session, count.lot_id, count.place_id, at=count.occurred_at, now=count.occurred_at
    )
    holdings.reverse()  # they come most exposed first
    least_exposed_first = sorted(holdings, key=lambda h: h.parcel_id not in added)
    loose = [h.__class__(h.parcel_id, h.grams, h.grams, None) for h in least_exposed_first]
    takes, _ = take_from(loose, grams)
    parcels = queries.parcels_by_id(session, [t.parcel_id for t in takes])
    return [
        Leg(
            count.lot_id,
            parcels[t.parcel_id],
            Account.COUNT_DIFFERENCE,
            t.grams,
            _cartons_gone(parcels[t.parcel_id], t.grams),
        )
        for t in takes
    ]


def _cartons_gone(parcel: Parcel, grams: int) -> int | None:
    if parcel.cartons is None:
        return None
    return parcel.cartons - cartons_left(parcel.grams, parcel.cartons, parcel.grams - grams)


def open_surplus(
    session: Session, lot_id: int, place_id: int, at: datetime, *, thaw_batch_id: int | None = None
) -> Parcel:
    """An empty parcel for fish that the books do not know, with the lot's worst history there."""
    parcels = queries.lot_parcels(session, lot_id)
    here = [p for p in parcels if p.place_id == place_id and p.thaw_batch_id == thaw_batch_id]
    worst = min(here or parcels, key=lambda p: (p.opened_at, p.id), default=None)
    opened = Parcel(
        lot_id=lot_id,
        place_id=place_id,
        grams=0,
        parent_id=worst.id if worst else None,
        thaw_batch_id=thaw_batch_id,
        opened_at=max(at, worst.opened_at) if worst else at,
    )
    session.add(opened)
    session.flush()
    return opened


def open_batch(session: Session, code: str, *, site_id: int, lot_id: int, at: datetime) -> Batch:
    """A new thaw batch of a lot that leaves the freezer at an instant."""
    batch = ThawBatch(code=code, site_id=site_id, lot_id=lot_id, left_freezer_at=at)
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
