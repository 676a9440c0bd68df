"""Keeping fish for a thaw request."""

from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session, col, delete, select, update

from service.ledger import queries
from service.ledger.models import Parcel, Reservation, ReservationUse
from service.ledger.rules import Take


def reserve(session: Session, takes: Sequence[Take], *, request_id: int, until: datetime) -> None:
    """Keep these grams for one request. The species are already locked."""
    session.add_all(
        Reservation(parcel_id=t.parcel_id, thaw_request_id=request_id, grams=t.grams, until=until)
        for t in takes
    )
    session.flush()


def release(session: Session, request_id: int, *, at: datetime) -> None:
    """Give back what is still kept for a request; what it used is given back to nobody."""
    for kept in queries.reservations_of(session, request_id):
        kept.released_at = at
        session.add(kept)
    of_request = select(Reservation.id).where(col(Reservation.thaw_request_id) == request_id)
    session.execute(
        delete(ReservationUse).where(col(ReservationUse.reservation_id).in_(of_request))
    )
    session.flush()


def use(
    session: Session, request_id: int, takes: Sequence[Take], *, movement_id: int, at: datetime
) -> None:
    """A pull uses up its request's reservation, parcel by parcel."""
    taken = {take.parcel_id: take.grams for take in takes}
    for kept in queries.reservations_of(session, request_id):
        used = min(kept.grams, taken.get(kept.parcel_id, 0))
        if used:
            kept.grams -= used
            taken[kept.parcel_id] -= used
            if kept.grams == 0:
                kept.released_at = at
            session.add(kept)
            session.add(
                ReservationUse(movement_id=movement_id, reservation_id=kept.id or 0, grams=used)
            )
    session.flush()


def keep_again(session: Session, movement_id: int) -> None:
    """A pull is taken back: its request keeps again what it used, unless it was cancelled."""
    uses = select(ReservationUse, Reservation).join(Reservation)
    for used, kept in session.exec(uses.where(col(ReservationUse.movement_id) == movement_id)):
        kept.grams += used.grams
        kept.released_at = None
        session.add(kept)
        session.delete(used)
    session.flush()


def give_up(session: Session, parcels: Sequence[Parcel], *, at: datetime) -> dict[int, int]:
    """Release what is kept of fish that is gone; the newest request gives way first.

    Returns the grams by thaw request. One query.
    """
    kept = queries.reservations_on(session, [p.id or 0 for p in parcels], at=at)
    there = {p.id: p.grams for p in parcels}
    too_much = {
        id_: sum(r.grams for r in kept if r.parcel_id == id_) - grams
        for id_, grams in there.items()
    }
    given_up: dict[int, int] = {}
    for each in kept:
        gone = min(each.grams, max(0, too_much[each.parcel_id]))
        if gone:
            too_much[each.parcel_id] -= gone
            each.grams -= gone
            if each.grams == 0:
                each.released_at = at
            session.add(each)
            request = each.thaw_request_id
            given_up[request] = given_up.get(request, 0) + gone
    session.flush()
    return given_up


def release_expired(session: Session, *, at: datetime) -> int:
    """Mark reservations whose time is over; they kept nothing any more. One statement."""
    statement = (
        update(Reservation)
        .where(col(Reservation.released_at).is_(None), col(Reservation.until) <= at)
        .values(released_at=at)
    )
    return int(session.execute(statement).rowcount or 0)  # type: ignore[attr-defined]
