"""Recording a check of fish or of a place that may be in an excursion."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.assessments.queries import stored
from service.checks import actions as checks
from service.checks.models import Check
from service.checks.rules import CheckKind
from service.checks.schemas import CheckIn
from service.errors import Invalid
from service.excursions import queries as excursions
from service.security.actor import Actor
from service.site import queries as sites


@dataclass(frozen=True)
class Checked:
    """A check that was recorded, and the undecided excursions that it speaks of."""

    check: Check
    excursions: tuple[int, ...]


def record(session: Session, order: CheckIn, *, at: datetime, by: Actor) -> Checked:
    """Store a check. A core is in the assessments of undecided excursions from the next look on.

    Raises as `checks.actions.record`; NotFound for an unknown excursion, Invalid for one of
    another place.
    """
    if order.excursion is not None:
        named = excursions.excursion_by_id(session, order.excursion, by=by)
        place = sites.place_by_code(session, order.place or "", by=by, field="place")
        if named.place_id != place.id:
            raise Invalid.at("excursion", f"is one of another place than {place.code}")
    check = checks.record(session, order, at=at, by=by)
    if check.kind != CheckKind.CORE or check.place_id is None:
        return Checked(check, ())
    found = stored.undecided_of_place(session, check.place_id, check.occurred_at)
    if order.excursion is not None:
        found = [each for each in found if each.id == order.excursion]
    return Checked(check, tuple(each.id or 0 for each in found))
