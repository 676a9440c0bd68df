"""Requirements, supplement plans, sign-off, given."""

from typing import Annotated

from fastapi import APIRouter, Query

from service.animals import queries as animals
from service.catalogue.rules import Basis, nutrients
from service.http.bodies import Cursor, Day, Limit, Number, Page, decode_cursor, encode_cursor
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
from service.supplements.actions import giving, planning, requiring, showing, signing, standing
from service.supplements.actions.explaining import explanation_of
from service.supplements.actions.writing import plan_out, plan_short
from service.supplements.models import Requirement
from service.supplements.queries import requirements as kept
from service.supplements.queries.plans import plan_by_id
from service.supplements.queries.plans import plans as stored_plans
from service.supplements.queries.standing import recorded_of
from service.supplements.rules import LimitOn, Mode, Per, PlanStatus, Scope
from service.supplements.rules.standing import OrderState
from service.supplements.schemas import (
    DifferencesOut,
    ExplanationOut,
    GivenIn,
    GivenItemOut,
    GivenOut,
    GivenReversalIn,
    GivenRow,
    ManyPlansIn,
    ManyPlansOut,
    OrderOut,
    OrderWithdrawalIn,
    PlanIn,
    PlanOut,
    PlanShort,
    PlanStandingOut,
    RequirementEndIn,
    RequirementIn,
    RequirementInForce,
    RequirementOut,
    ReviewIn,
    ReviewOut,
    RoundLine,
    SignedOut,
    SignIn,
    SignManyIn,
)

requirements: APIRouter = guarded_router("/requirements", "supplements")
of_animals: APIRouter = guarded_router("/animals", "supplements")
plans: APIRouter = guarded_router("/supplement-plans", "supplements")
recorded: APIRouter = guarded_router("/supplements-given", "supplements")
orders: APIRouter = guarded_router("/supplement-orders", "supplements")
round_of_day: APIRouter = guarded_router("/supplement-round", "supplements")
routers = (requirements, of_animals, plans, recorded, orders, round_of_day)


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
    return Page(items=showing.in_force_of(session, found, day))


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


@plans.get("")
def list_plans(
    session: ReadSession,
    by: MayLook,
    site: str | None = None,
    animal: str | None = None,
    day: Annotated[Day | None, Query(description="The first day of a plan.")] = None,
    status: PlanStatus | None = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[PlanShort]:
    """Plans, newest first, with their pieces and what stays short in words."""
    seen = sites.sites_seen(session, by=by)
    if site is not None:
        seen = [sites.site_by_code(session, site, by=by).id or 0]
    chosen = animals.animal_by_code(session, animal, by=by).id if animal is not None else None
    found = stored_plans(
        session,
        seen,
        day=day,
        animal_id=chosen,
        status=status,
        limit=limit + 1,
        before_id=int(decode_cursor(cursor, int)[0]) if cursor is not None else None,
    )
    more = encode_cursor(found[limit - 1][0].id or 0) if len(found) > limit else None
    return Page(items=[plan_short(plan, code) for plan, code in found[:limit]], next=more)


@plans.post("/sign-off")
def sign_many(
    order: SignManyIn, session: WriteSession, at: Now, by: MaySignSupplements
) -> SignedOut:
    """A nutritionist or vet orders many plans with one signature: all of them or none."""
    signed = signing.sign(session, order.plans, order, at=at, by=by)
    signature = signed.signature
    return SignedOut(
        meaning=signature.meaning,
        signed_by=signature.signed_by,
        signed_as=signature.signed_as,
        signed_at=signature.signed_at,
        items=[plan_out(plan) for plan in signed.plans],
    )


@plans.get("/{plan_id}")
def get_plan(plan_id: Number, session: ReadSession, by: MayLook) -> PlanStandingOut:
    """A plan and where it stands."""
    stored = plan_by_id(session, plan_id, by=by)
    return showing.standing_out(session, stored)


@plans.get("/{plan_id}/explanation")
def explain_plan(plan_id: Number, session: ReadSession, by: MayLook) -> ExplanationOut:
    """How a plan's figures came about, from what it was worked out from when it was made."""
    return explanation_of(plan_by_id(session, plan_id, by=by))


@plans.get("/{plan_id}/differences")
def list_differences(
    plan_id: Number,
    session: ReadSession,
    at: Now,
    by: MayLook,
    against: Annotated[
        Number | None,
        Query(description="Another plan; left out: the order in force, else today's figures."),
    ] = None,
) -> DifferencesOut:
    """What has changed between two plans of an animal, in words."""
    return showing.differences(session, plan_id, against, at=at, by=by)


@plans.post("/{plan_id}/sign-off")
def sign(
    plan_id: Number,
    session: WriteSession,
    at: Now,
    by: MaySignSupplements,
    signature: SignIn | None = None,
) -> PlanOut:
    """A nutritionist or vet orders a plan to be given."""
    plan_by_id(session, plan_id, by=by)
    signed = signing.sign(session, [plan_id], signature or SignIn(), at=at, by=by)
    return plan_out(signed.plans[0])


@plans.post("/{plan_id}/withdrawal")
def withdraw(
    plan_id: Number,
    said: OrderWithdrawalIn,
    session: WriteSession,
    at: Now,
    by: MaySignSupplements,
) -> PlanStandingOut:
    """An order is not to be given any more, from today on."""
    stored = standing.withdraw(session, plan_id, said, at=at, by=by)
    return showing.standing_out(session, stored)


@plans.post("/{plan_id}/given", status_code=201)
def give(
    plan_id: Number, order: GivenIn, session: WriteSession, at: Now, by: MayGiveSupplements
) -> GivenOut:
    """What an animal was given under a signed plan, and what it was not."""
    given = giving.give(session, plan_id, order, at=at, by=by)
    return GivenOut(
        id=given.rows[0].id or 0,
        plan=plan_id,
        animal=plan_out(given.plan).animal,
        day=given.rows[0].day,
        supplements=[
            GivenItemOut(
                id=row.id or 0,
                product=part.product.code,
                count=row.count,
                batch=row.batch,
                outcome=part.outcome,
                reason=row.reason,
            )
            for row, part in zip(given.rows, given.parts, strict=True)
        ],
        breaches=list(given.breaches),
    )


@recorded.post("/{given}/reversal")
def take_back(
    given: Number,
    said: GivenReversalIn,
    session: WriteSession,
    at: Now,
    by: MayGiveSupplements,
) -> GivenRow:
    """What was recorded was not so: it counts no more, and stock has its pieces back."""
    row = giving.take_back(session, given, said, at=at, by=by)
    return showing.given_row_of(session, row)


@of_animals.get("/{animal}/supplements")
def list_given(
    animal: str,
    session: ReadSession,
    by: MayLook,
    from_: Annotated[Day | None, Query(alias="from", description="The first day.")] = None,
    to: Annotated[Day | None, Query(description="The last day.")] = None,
    limit: Limit = 200,
    cursor: Cursor = None,
) -> Page[GivenRow]:
    """What an animal was given, and was not with its reason, newest first."""
    found = animals.animal_by_code(session, animal, by=by)
    before = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    rows = recorded_of(
        session, found.id or 0, first=from_, last=to, limit=limit + 1, before_id=before
    )
    more = encode_cursor(rows[limit - 1].given.id or 0) if len(rows) > limit else None
    return Page(items=[showing.given_row(found.code, row) for row in rows[:limit]], next=more)


@orders.get("")
def list_orders(
    session: ReadSession,
    at: Now,
    by: MayLook,
    site: str | None = None,
    state: OrderState | None = None,
) -> Page[OrderOut]:
    """Where the supplements of each animal stand, with what has changed since it was signed."""
    chosen = sites.sites(session, by=by)
    if site is not None:
        chosen = [sites.site_by_code(session, site, by=by)]
    views = [sites.view_of(session, each, at=at) for each in chosen]
    return Page(items=[o for view in views for o in showing.orders(session, view, state, at=at)])


@orders.post("/review")
def review(asked: ReviewIn, session: WriteSession, at: Now, by: MayPlanSupplements) -> ReviewOut:
    """Hold a site's orders against today's figures now, as the service does every few minutes."""
    found = sites.site_or_only(session, asked.site, by=by)
    sites.happened_at(session, found.id or 0, asked.occurred_at, now=at)
    view = sites.view_of(session, found, at=at)
    return showing.reviewed_out(session, standing.review(session, view, at=at, by=by))


@round_of_day.get("")
def show_round(
    session: ReadSession,
    at: Now,
    by: MayLook,
    site: str | None = None,
    day: Annotated[Day | None, Query(description="Left out: today.")] = None,
) -> Page[RoundLine]:
    """What each animal of a site is to get on a day, and who still waits for what."""
    found = sites.site_or_only(session, site, by=by)
    view = sites.view_of(session, found, at=at)
    return Page(items=showing.round_of(session, view, day or view.day_of(at)))
