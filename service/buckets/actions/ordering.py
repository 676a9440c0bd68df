"""A vet orders medication, and stops it."""

from datetime import datetime

from sqlmodel import Session

from service.animals import queries as animals
from service.buckets.models import MedicationOrder
from service.buckets.queries import filling
from service.buckets.schemas import EndIn, MedicationIn
from service.catalogue.queries import species_by_code
from service.errors import Conflict
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites


def order(
    session: Session, new: MedicationIn, *, at: datetime, by: Actor
) -> tuple[MedicationOrder, str]:
    """An order and the code of its animal. Raises NotFound for an animal or species."""
    animal = animals.animal_by_code(session, new.animal, by=by)
    if new.fish is not None:
        species_by_code(session, new.fish, field="fish")
    sites.happened_at(session, animal.site_id, new.occurred_at, now=at)
    stored = MedicationOrder(
        site_id=animal.site_id,
        animal_id=animal.id or 0,
        **new.model_dump(exclude={"animal", "occurred_at"}),
        recorded_at=at,
        by=by.name,
    )
    session.add(stored)
    session.flush()
    audit.note(
        session,
        by,
        "medication ordered",
        animal.code,
        at=at,
        site_id=animal.site_id,
        after=stored,
        detail={"order": stored.id},
    )
    return stored, animal.code


def stop(session: Session, number: int, end: EndIn, *, at: datetime, by: Actor) -> MedicationOrder:
    """It goes into no further bucket. Raises NotFound, Conflict if it was stopped before."""
    stored = filling.order_by_id(session, number, by=by, field="order")
    session.refresh(stored, with_for_update=True)
    if stored.stopped_at is not None:
        raise Conflict(f"{stored.stopped_by} has stopped it before", kind="already-stopped")
    stored.stopped_at = sites.happened_at(session, stored.site_id, end.occurred_at, now=at)
    stored.stopped_by, stored.stopped_reason = by.name, end.reason
    session.add(stored)
    session.flush()
    audit.note(
        session,
        by,
        "medication stopped",
        number,
        at=at,
        site_id=stored.site_id,
        after=stored,
        detail={"reason": end.reason},
    )
    return stored
