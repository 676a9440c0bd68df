"""Writing down the fish that was in the place during an excursion."""

from datetime import datetime

from sqlmodel import Session, col, select

from service.excursions.models import Excursion, ExcursionParcel
from service.excursions.queries import watching as queries


def meet(session: Session, excursion: Excursion, *, at: datetime) -> None:
    """Store the parcels that were in the place during an excursion as it is known now.

    Three queries; cost grows with the parcels that ever were in the place.
    """
    end = excursion.ended_at or at
    known = {
        row.parcel_id: row
        for row in session.exec(
            select(ExcursionParcel).where(col(ExcursionParcel.excursion_id) == excursion.id)
        )
    }
    for met in queries.met_at(session, excursion.place_id, excursion.from_at, end):
        row = known.pop(met.parcel_id, None)
        if row is None:
            row = ExcursionParcel(
                excursion_id=excursion.id or 0,
                parcel_id=met.parcel_id,
                grams=met.grams,
                from_at=met.from_at,
            )
        emptied = met.emptied_at if met.emptied_at is not None and met.emptied_at <= end else None
        row.grams, row.from_at = met.grams, met.from_at
        row.until_at = emptied or excursion.ended_at
        session.add(row)
    for gone in known.values():
        session.delete(gone)
    session.flush()


def meet_newcomers(session: Session, excursion: Excursion, *, at: datetime) -> None:
    """Store fish that came into the place while an excursion goes on. One query where none has."""
    if queries.has_newcomers(session, excursion, at):
        meet(session, excursion, at=at)
