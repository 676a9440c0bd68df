"""Requirements, supplement plans, sign-off, given."""

from typing import Annotated

from fastapi import APIRouter, Query

from service.animals import queries as animals
from service.catalogue.rules import Basis, nutrients
from service.http.bodies import Day, Number, Page
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
from service.supplements.actions import giving, planning, requiring, signing
from service.supplements.actions.explaining import explanation_of
from service.supplements.actions.working import equal_rank, wanted_for
from service.supplements.actions.writing import plan_out, with_changes
from service.supplements.models import Requirement
from service.supplements.queries import requirements as kept
from service.supplements.queries.plans import plan_by_id
from service.supplements.rules import LimitOn, Mode, Per, Scope
from service.supplements.rules.requirements import EqualRank
from service.supplements.schemas import (
    ExplanationOut,
    GivenIn,
    GivenOut,
    ManyPlansIn,
    ManyPlansOut,
    PlanIn,
    PlanOut,
    RequirementEndIn,
    RequirementIn,
    RequirementInForce,
    RequirementOut,
    SignIn,
)

requirements: APIRouter = guarded_router("/requirements", "supplements")
of_animals: APIRouter = guarded_router("/animals", "supplements")
plans: APIRouter = guarded_router("/supplement-plans", "supplements")
routers = (requirements, of_animals, plans)


@requirements.post("", status_code=201)
def set_requirement(
    new: RequirementIn, session: WriteSession, at: Now, by: MaySetRequirements
) -> RequirementOut:
    """How much of a nutrient an animal, group or site should get or have added."""
    stored, shown = requiring.set_requirement(session, new, at=at, by=by)
    return _requirement_out(stored, shown)


@requirements.get("")
def list_requirements(session: ReadSession, by: MayLook) -> Page[RequirementOut]:
    """What your sites have set; for nutrients not among these the catalogue's defaults apply."""
    found = kept.requirements(session, sites.sites_seen(session, by=by))
    return Page(
        items=[_requirement_out(row, kept.reach(row, site, animal)) for row, site, animal in found]
    )


@requirements.post("/{requirement}/end")
def end_requirement(
    requirement: Number,
    end: RequirementEndIn,
    session: WriteSession,
    at: Now,
    by: MaySetRequirements,
) -> RequirementOut:
    """A requirement holds until a day and not longer; what it replaced does not come back."""
    stored = requiring.end_requirement(session, requirement, end, at=at, by=by)
    return _requirement_out(stored, kept.reach_of(session, stored))


@of_animals.get("/{animal}/requirements")
def list_in_force(
    animal: str,
    session: ReadSession,
    at: Now,
    by: MayLook,
    on: Annotated[Day | None, Query(description="Left out: today.")] = None,
) -> Page[RequirementInForce]:
    """What applies to an animal on a day: of its own, its group, its site, the catalogue."""
    found = animals.animal_by_code(session, animal, by=by)
    day = on or sites.view(session, found.site_id, at=at).day_of(at)
    try:
        wanted = wanted_for(found, kept.Requirements(session, found.site_id, day))
    except EqualRank as error:
        raise equal_rank(error) from error
    return Page(
        items=[
            RequirementInForce(
                requirement=w.number or None,
                nutrient=w.nutrient,
                amount=w.amount,
                unit=nutrients()[w.nutrient].amount_unit,
                basis=w.basis,
                mode=w.mode,
                per=w.per,
                scope=w.scope,
                species=w.species,
                but_for=sorted(w.but_for),
                cap_per_day=w.cap_per_day,
                limit=w.limit,
                limit_on=w.limit_on,
                source=w.source,
            )
            for w in wanted
        ]
    )


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
        species=stored.species_code,
        from_=stored.from_day,
        until=stored.until_day,
        ended_reason=stored.ended_reason,
        source=stored.source,
    )


@plans.post("", status_code=201)
def plan(order: PlanIn, session: WriteSession, at: Now, by: MayPlanSupplements) -> PlanOut:
    """What to add for an animal on a day, and which pieces give it."""
    return planning.plan(session, order, at=at, by=by)


@plans.post("/many", status_code=201)
def plan_many(
    order: ManyPlansIn, session: WriteSession, at: Now, by: MayPlanSupplements
) -> ManyPlansOut:
    """What to add for the animals of a site, of a group or by name, for a day or a range."""
    return planning.plan_many(session, order, at=at, by=by)


@plans.get("/{plan_id}")
def get_plan(plan_id: Number, session: ReadSession, by: MayLook) -> PlanOut:
    """A plan and where it stands."""
    stored = plan_by_id(session, plan_id, by=by)
    return with_changes(plan_out(stored), stored.document)


@plans.get("/{plan_id}/explanation")
def explain_plan(plan_id: Number, session: ReadSession, by: MayLook) -> ExplanationOut:
    """How a plan's figures came about, from what it was worked out from when it was made."""
    return explanation_of(plan_by_id(session, plan_id, by=by))


@plans.post("/{plan_id}/sign-off")
def sign(
    plan_id: Number,
    session: WriteSession,
    at: Now,
    by: MaySignSupplements,
    signature: SignIn | None = None,
) -> PlanOut:
    """A nutritionist or vet orders a plan to be given."""
    return signing.sign(session, plan_id, signature or SignIn(), at=at, by=by)


@plans.post("/{plan_id}/given", status_code=201)
def give(
    plan_id: Number, order: GivenIn, session: WriteSession, at: Now, by: MayGiveSupplements
) -> GivenOut:
    """What an animal was given under a signed plan."""
    stored, rows, breaches = giving.give(session, plan_id, order, at=at, by=by)
    return GivenOut(
        id=rows[0].id or 0,
        plan=plan_id,
        animal=plan_out(stored).animal,
        day=rows[0].day,
        supplements=order.supplements,
        breaches=list(breaches),
    )
