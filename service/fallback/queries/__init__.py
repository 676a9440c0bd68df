"""Every select of sheets, and what stands on them."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime

from sqlalchemy import func
from sqlalchemy import select as columns
from sqlmodel import Session, col, or_, select

from service.animals.models import Animal, AnimalGroup, GroupMembership
from service.database import rows_where_in
from service.errors import NotFound
from service.fallback.models import FallbackSheet, SheetEntry
from service.ledger import queries as ledger
from service.ledger.models import ThawBatch
from service.ledger.rules import Batch
from service.security.actor import Actor


def sheet_by_code(session: Session, code: str, *, by: Actor, lock: bool = False) -> FallbackSheet:
    """The sheet of this code. Raises NotFound, and NotAllowed at somebody else's site."""
    statement = select(FallbackSheet).where(col(FallbackSheet.code) == code.upper())
    found = session.exec(statement.with_for_update() if lock else statement).one_or_none()
    if found is None:
        raise NotFound.of("sheet", code, "sheet")
    by.ensure_site(found.site_id)
    return found


def newest(session: Session, site_id: int, day: date) -> FallbackSheet | None:
    """The sheet of a day that was made last. One query."""
    return session.exec(
        select(FallbackSheet)
        .where(col(FallbackSheet.site_id) == site_id, col(FallbackSheet.day) == day)
        .order_by(col(FallbackSheet.id).desc())
        .limit(1)
    ).first()


def sheets(
    session: Session, site_ids: Sequence[int], *, day: date | None, limit: int, before: int | None
) -> Sequence[tuple[FallbackSheet, int]]:
    """The newest sheets, and how many of their lines were entered. One query."""
    entered = (
        columns(func.count())
        .where(col(SheetEntry.sheet_id) == col(FallbackSheet.id))
        .scalar_subquery()
    )
    statement = (
        columns(FallbackSheet, entered)
        .where(col(FallbackSheet.site_id).in_(site_ids))
        .order_by(col(FallbackSheet.id).desc())
        .limit(limit)
    )
    if day is not None:
        statement = statement.where(col(FallbackSheet.day) == day)
    if before is not None:
        statement = statement.where(col(FallbackSheet.id) < before)
    return [(sheet, int(many)) for sheet, many in session.execute(statement)]


def entries(session: Session, sheet_id: int) -> Mapping[int, SheetEntry]:
    """What was entered from a sheet, by line. One query."""
    found = session.exec(select(SheetEntry).where(col(SheetEntry.sheet_id) == sheet_id))
    return {entry.line: entry for entry in found}


def animals_of(session: Session, site_id: int) -> Mapping[int, Animal]:
    """The animals of a site by number. One query."""
    found = session.exec(select(Animal).where(col(Animal.site_id) == site_id))
    return {animal.id or 0: animal for animal in found}


def groups_of(session: Session, site_id: int) -> Mapping[int, AnimalGroup]:
    """The groups of a site by number. One query."""
    found = session.exec(select(AnimalGroup).where(col(AnimalGroup.site_id) == site_id))
    return {group.id or 0: group for group in found}


def stations(session: Session, site_id: int, at: datetime) -> Mapping[int, str]:
    """Where animals wait for their fish at an instant, by animal. One query."""
    statement = (
        columns(col(GroupMembership.animal_id), col(GroupMembership.station))
        .join(Animal, col(Animal.id) == col(GroupMembership.animal_id))
        .where(
            col(Animal.site_id) == site_id,
            col(GroupMembership.station).is_not(None),
            col(GroupMembership.from_at) <= at,
            or_(col(GroupMembership.until_at).is_(None), col(GroupMembership.until_at) > at),
        )
        .order_by(col(GroupMembership.id))
    )
    return {row[0]: row[1] for row in session.execute(statement)}


def batches_named(session: Session, fields: Mapping[str, str], *, by: Actor) -> Mapping[str, Batch]:
    """Thaw batches by code. One query. fields: where each code was named.

    Raises NotFound for the first that is unknown, NotAllowed at somebody else's site.
    """
    rows = session.execute(rows_where_in(ThawBatch.code), {"keys": list(fields)}).scalars()
    found = {row.code: ledger.batch_of(row) for row in rows}
    for code, field in fields.items():
        if code not in found:
            raise NotFound.of("thaw batch", code, field)
        by.ensure_site(found[code].site_id)
    return found
