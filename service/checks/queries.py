"""Every select of checks."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func
from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, exists, select

from service.checks.models import Check
from service.checks.rules import CheckKind, Equipment, Method, Position
from service.checks.schemas import CheckOut
from service.errors import NotFound
from service.ledger.models import Parcel
from service.lots.models import Lot
from service.probes.models import Calibration, Probe
from service.quantities import Units
from service.security.actor import Actor
from service.site.models import Place


@dataclass(frozen=True)
class Wanted:
    """Which checks are asked for; None: whatever it is."""

    kind: CheckKind | None = None
    lot_id: int | None = None
    place_id: int | None = None
    excursion_id: int | None = None
    from_at: datetime | None = None
    to_at: datetime | None = None


@dataclass(frozen=True)
class CheckView:
    """A check with the codes of what it is about."""

    check: Check
    place: str | None
    lot: str | None
    probe: str | None
    passed: bool | None
    replaced_by: int | None


def check_by_id(session: Session, number: int, *, by: Actor, field: str = "check") -> Check:
    """The check of this number. Raises NotFound, and NotAllowed at somebody else's site."""
    found = session.get(Check, number)
    if found is None:
        raise NotFound.of("check", number, field)
    by.ensure_site(found.site_id)
    return found


def replaced_by(session: Session, number: int) -> int | None:
    """The check that corrected this one. One query."""
    return session.exec(select(Check.id).where(col(Check.replaces_id) == number)).first()


def view_of(session: Session, check: Check) -> CheckView:
    """A check with the codes of what it is about. One query."""
    session.flush()
    row = session.execute(_viewed().where(col(Check.id) == check.id)).one()
    return CheckView(*row)


def views(
    session: Session,
    site_ids: Collection[int],
    wanted: Wanted,
    *,
    limit: int,
    before_id: int | None,
) -> Sequence[CheckView]:
    """The newest checks, those that were wrong too. One query."""
    statement = (
        _viewed()
        .where(col(Check.site_id).in_(site_ids))
        .order_by(col(Check.id).desc())
        .limit(limit)
    )
    for column, value in (
        (Check.kind, wanted.kind),
        (Check.lot_id, wanted.lot_id),
        (Check.place_id, wanted.place_id),
        (Check.excursion_id, wanted.excursion_id),
    ):
        if value is not None:
            statement = statement.where(col(column) == value)
    if wanted.from_at is not None:
        statement = statement.where(col(Check.occurred_at) >= wanted.from_at)
    if wanted.to_at is not None:
        statement = statement.where(col(Check.occurred_at) < wanted.to_at)
    if before_id is not None:
        statement = statement.where(col(Check.id) < before_id)
    return [CheckView(*row) for row in session.execute(statement)]


def _viewed() -> Any:
    """The select of checks with the codes of what they are about."""
    later = aliased(Check)
    return (
        columns(
            Check,
            col(Place.code),
            col(Lot.code),
            col(Probe.code),
            func.coalesce(col(Calibration.passed), col(Check.passed)),
            col(later.id),
        )
        .outerjoin(Place, col(Place.id) == col(Check.place_id))
        .outerjoin(Lot, col(Lot.id) == col(Check.lot_id))
        .outerjoin(Probe, col(Probe.id) == col(Check.probe_id))
        .outerjoin(Calibration, col(Calibration.id) == col(Check.calibration_id))
        .outerjoin(later, col(later.replaces_id) == col(Check.id))
    )


def cores(session: Session, place_id: int, from_at: datetime, to_at: datetime) -> Sequence[Check]:
    """Cores measured in a place in a time, in order, without those that were wrong. One query."""
    later = aliased(Check)
    statement = (
        select(Check)
        .where(
            col(Check.kind) == CheckKind.CORE,
            col(Check.place_id) == place_id,
            col(Check.occurred_at) >= from_at,
            col(Check.occurred_at) <= to_at,
            ~exists().where(col(later.replaces_id) == col(Check.id)),
        )
        .order_by(col(Check.occurred_at), col(Check.id))
    )
    return session.exec(statement).all()


def was_there(
    session: Session, lot_id: int, place_id: int, at: datetime, *, parcel_id: int | None = None
) -> bool:
    """Whether fish of a lot had come to a place by an instant. One query."""
    statement = select(Parcel.id).where(
        col(Parcel.lot_id) == lot_id,
        col(Parcel.place_id) == place_id,
        col(Parcel.opened_at) <= at,
    )
    if parcel_id is not None:
        statement = statement.where(col(Parcel.id) == parcel_id)
    return session.exec(statement.limit(1)).first() is not None


def check_out(view: CheckView, units: Units) -> CheckOut:
    """A check as it is shown."""
    check = view.check
    return CheckOut(
        id=check.id or 0,
        kind=CheckKind(check.kind),
        place=view.place,
        lot=view.lot,
        parcel=check.parcel_id,
        excursion=check.excursion_id,
        probe=view.probe,
        position=Position(check.position) if check.position else None,
        carton=check.carton,
        temperature=None if check.measured_c is None else units.temperature_out(check.measured_c),
        equipment=Equipment(check.equipment) if check.equipment else None,
        method=Method(check.method) if check.method else None,
        contact_minutes=check.contact_minutes,
        passed=view.passed,
        note=check.note,
        photo=check.photo,
        replaces=check.replaces_id,
        replaced_by=view.replaced_by,
        occurred_at=check.occurred_at,
        recorded_at=check.recorded_at,
        by=check.by,
    )
