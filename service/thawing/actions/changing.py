"""A plan becomes another one: what changed is kept in words, and told."""

from collections import Counter
from datetime import datetime

from sqlmodel import Session

from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.security import audit
from service.security.actor import Actor
from service.site.queries import SiteView
from service.thawing.models import ThawPlanChange, ThawRequest
from service.thawing.rules.changing import Outline, Pull, changes
from service.thawing.schemas import ThawRequestOut


def keep_change(
    session: Session,
    request: ThawRequest,
    after: ThawRequestOut,
    *,
    view: SiteView,
    why: str,
    at: datetime,
    by: Actor,
) -> list[str]:
    """Keep a request's new plan and how it differs from the old one; tell people.

    Returns what changed; where nothing did, nobody is told. What cannot be met, or is short,
    is told at once.
    """
    before = ThawRequestOut.model_validate(request.plan)
    said = changes(
        _outline(before),
        _outline(after),
        mass=lambda grams: _mass(view, grams),
        instant=lambda moment: _instant(view, moment),
    )
    if not said:
        request.plan = after.model_dump(mode="json")
        session.add(request)
        return said
    session.add(
        ThawPlanChange(
            thaw_request_id=request.id or 0,
            recorded_at=at,
            by=by.name,
            why=why,
            changes=said,
            before=request.plan,
        )
    )
    request.plan = after.model_dump(mode="json")
    session.add(request)
    session.flush()
    audit.note(
        session,
        by,
        "thaw replanned",
        request.id,
        at=at,
        site_id=view.id,
        before=before,
        after=after,
        detail={"why": why, "changes": said},
    )
    serious = not after.feasible or len(after.shortages) > len(before.shortages)
    tell(
        session,
        site_id=view.id,
        subject=Subject.THAW,
        number=request.id or 0,
        title=f"Thaw request {request.id} has changed: {why}",
        body="\n".join(said),
        urgency=Urgency.NOW if serious else Urgency.TODAY,
        at=at,
    )
    return said


def _outline(plan: ThawRequestOut) -> Outline:
    shared: Counter[str] = Counter()
    for each in plan.shared:
        shared[each.species] += each.mass.g
    return Outline(
        pulls=tuple(
            Pull(
                pull.lot,
                pull.species,
                pull.from_place,
                pull.to_place,
                pull.mass.g,
                pull.pull_not_after,
            )
            for pull in plan.pulls
        ),
        shared_g=shared,
        short_g={each.species: each.mass.g for each in plan.shortages},
        feasible=plan.feasible,
    )


def _mass(view: SiteView, grams: int) -> str:
    shown = view.units.mass_out(grams)
    return f"{shown.value:g} {shown.unit}"


def _instant(view: SiteView, moment: datetime) -> str:
    local = moment.astimezone(view.zone)
    return f"{local:%Y-%m-%d %H:%M}"
