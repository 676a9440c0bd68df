"""Requirements, supplement plans, sign-off, given."""

from fastapi import APIRouter

from service.catalogue.rules import Basis, nutrients
from service.http.bodies import Number, Page
from service.http.sessions import Now, ReadSession, WriteSession
from service.security.guard import (
    MayGiveSupplements,
    MayLook,
    MayPlanSupplements,
    MaySetRequirements,
    MaySignSupplements,
    guarded_router,
)
from service.site import queries as sites
from service.supplements import actions, queries
from service.supplements.models import Requirement
from service.supplements.rules import LimitOn, Mode, Per, Scope
from service.supplements.schemas import (
    GivenIn,
    GivenOut,
    PlanIn,
    PlanOut,
    RequirementIn,
    RequirementOut,
    SignIn,
)

requirements: APIRouter = guarded_router("/requirements", "supplements")
plans: APIRouter = guarded_router("/supplement-plans", "supplements")
routers = (requirements, plans)


@requirements.post("", status_code=201)
def set_requirement(
    new: RequirementIn, session: WriteSession, at: Now, by: MaySetRequirements
) -> RequirementOut:
    """How much of a nutrient an animal, group or site should get or have added."""
    stored, shown = actions.set_requirement(session, new, at=at, by=by)
    return _requirement_out(stored, shown)


@requirements.get("")
def list_requirements(session: ReadSession, by: MayLook) -> Page[RequirementOut]:
    """What your sites have set; for nutrients not among these the catalogue's defaults apply."""
    found = queries.requirements(session, sites.sites_seen(session, by=by))
    return Page(
        items=[_requirement_out(row, _reach(row, site, animal)) for row, site, animal in found]
    )


def _reach(row: Requirement, site: str, animal: str | None) -> str:
    if animal is not None:
        return f"animal {animal}"
    return f"group {row.group_name}" if row.group_name else f"site {site}"


def _requirement_out(stored: Requirement, shown: str) -> RequirementOut:
    return RequirementOut(
        id=stored.id or 0,
        nutrient=stored.nutrient,
        amount=stored.amount,
        unit=nutrients()[stored.nutrient].amount_unit,
        basis=Basis(stored.basis),
        mode=Mode(stored.mode),
        per=Per(stored.per),
        scope=Scope(stored.scope),
        applies_to=shown,
        cap_per_day=stored.cap_per_day,
        limit=stored.limit_per_day,
        limit_on=LimitOn(stored.limit_on),
        source=stored.source,
    )


@plans.post("", status_code=201)
def plan(order: PlanIn, session: WriteSession, at: Now, by: MayPlanSupplements) -> PlanOut:
    """What to add for an animal on a day, and which pieces give it."""
    return actions.plan(session, order, at=at, by=by)


@plans.get("/{plan_id}")
def get_plan(plan_id: Number, session: ReadSession, by: MayLook) -> PlanOut:
    """A plan and where it stands."""
    return actions.shown(queries.plan_by_id(session, plan_id, by=by))


@plans.post("/{plan_id}/sign-off")
def sign(
    plan_id: Number,
    session: WriteSession,
    at: Now,
    by: MaySignSupplements,
    signature: SignIn | None = None,
) -> PlanOut:
    """A nutritionist or vet orders a plan to be given."""
    return actions.sign(session, plan_id, signature or SignIn(), at=at, by=by)


@plans.post("/{plan_id}/given", status_code=201)
def give(
    plan_id: Number, order: GivenIn, session: WriteSession, at: Now, by: MayGiveSupplements
) -> GivenOut:
    """What an animal was given under a signed plan."""
    stored, rows, breaches = actions.give(session, plan_id, order, at=at, by=by)
    return GivenOut(
        id=rows[0].id or 0,
        plan=plan_id,
        animal=actions.shown(stored).animal,
        day=rows[0].day,
        supplements=order.supplements,
        breaches=list(breaches),
    )
