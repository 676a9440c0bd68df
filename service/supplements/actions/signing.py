"""Signing plans: a nutritionist or vet orders what was proposed."""

from datetime import datetime

from sqlmodel import Session

from service.errors import Conflict
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.supplements.actions.writing import plan_out
from service.supplements.queries.plans import plan_by_id
from service.supplements.rules import PlanStatus
from service.supplements.schemas import PlanOut, SignIn


def sign(session: Session, number: int, signature: SignIn, *, at: datetime, by: Actor) -> PlanOut:
    """A nutritionist or vet orders a plan to be given. Raises Conflict if it was signed before."""
    stored = plan_by_id(session, number, by=by, lock=True)
    signed_at = sites.happened_at(session, stored.site_id, signature.occurred_at, now=at)
    if stored.status == PlanStatus.SIGNED:
        raise Conflict(f"this plan was signed by {stored.signed_by}", kind="already-signed")
    stored.status = PlanStatus.SIGNED
    stored.signed_at, stored.signed_by, stored.signed_as = signed_at, by.name, by.role
    session.add(stored)
    session.flush()
    audit.note(
        session,
        by,
        "supplements signed",
        number,
        at=at,
        site_id=stored.site_id,
        after=stored.document,
        detail={"meaning": signature.meaning, "as": str(by.role)},
    )
    return plan_out(stored)
