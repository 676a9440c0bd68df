"""Signing plans: a nutritionist or vet orders what was proposed, one or many at once."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import combinations, groupby

from sqlmodel import Session

from service.errors import Conflict, Invalid, NotFound
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.queries import SiteView
from service.supplements.actions.standing import Compared
from service.supplements.actions.working import work_out
from service.supplements.models import (
    SupplementOrderEnd,
    SupplementPlan,
    SupplementSignature,
)
from service.supplements.queries import standing as queries
from service.supplements.rules import PlanBasis, PlanStatus
from service.supplements.rules import standing as rules
from service.supplements.rules.standing import EndedWhy
from service.supplements.schemas import SignIn

Views = Mapping[int, SiteView]


@dataclass(frozen=True)
class Signed:
    """A signature and the plans that it is under."""

    signature: SupplementSignature
    plans: Sequence[SupplementPlan]


@dataclass(frozen=True)
class _OutOfDate:
    """A plan that is not what is called for now, and why."""

    plan: SupplementPlan
    why: list[str]
    over_limit: bool = False


def sign(
    session: Session, numbers: Sequence[int], signature: SignIn, *, at: datetime, by: Actor
) -> Signed:
    """A nutritionist or vet orders plans to be given: all of them or none.

    Each is worked out once more first. Raises Conflict: `already-signed`; `over-limit` where
    pieces would cross a limit, which no signature covers; `plan-out-of-date` where other
    pieces are called for now; and Invalid for two plans of one animal with a day in common.
    Cost: one `work_out` for each site, day and basis, and six statements.
    """
    whose = queries.whose(session, numbers)
    for place, number in enumerate(numbers):
        if number not in whose:
            raise NotFound.of("supplement plan", number, f"plans.{place}")
        by.ensure_site(whose[number][0])
    queries.lock_animals(session, {animal_id for _, animal_id in whose.values()})
    locked = queries.locked(session, numbers)
    plans = sorted(locked, key=lambda plan: (plan.day, plan.id))
    signed_at = sites.happened_at(session, plans[0].site_id, signature.occurred_at, now=at)
    for plan in plans:
        if plan.status == PlanStatus.SIGNED:
            raise Conflict(f"plan {plan.id} was signed by {plan.signed_by}", kind="already-signed")
    _ensure_apart(plans)
    views = {site: sites.view(session, site, at=at) for site in {p.site_id for p in plans}}
    _ensure_up_to_date(session, views, plans, at)
    stored = SupplementSignature(
        meaning=signature.meaning,
        signed_at=signed_at,
        signed_by=by.name,
        signed_as=by.role,
        recorded_at=at,
    )
    session.add(stored)
    session.flush()
    standing = queries.not_ended(session, {plan.animal_id for plan in plans})
    for plan in plans:
        plan.status, plan.signature_id = PlanStatus.SIGNED, stored.id
        plan.signed_at, plan.signed_by, plan.signed_as = signed_at, by.name, by.role
    session.add_all(plans)
    session.add_all(_replaced(views, plans, standing, stored))
    session.flush()
    for site_id, of_site in groupby(sorted(plans, key=lambda p: p.site_id), lambda p: p.site_id):
        mine = list(of_site)
        audit.note(
            session,
            by,
            "supplements signed",
            mine[0].id if len(mine) == 1 else f"{len(mine)} plans",
            at=at,
            site_id=site_id,
            after=[[plan.id, rules.pieces(plan.document)] for plan in mine],
            detail={
                "meaning": signature.meaning,
                "as": str(by.role),
                "plans": [plan.id for plan in mine],
            },
        )
    return Signed(stored, plans)


def _ensure_apart(plans: Sequence[SupplementPlan]) -> None:
    of_animals: dict[int, list[SupplementPlan]] = {}
    for plan in plans:
        of_animals.setdefault(plan.animal_id, []).append(plan)
    for mine in of_animals.values():
        for one, other in combinations(mine, 2):
            if rules.overlap(_span(one), _span(other)):
                raise Invalid.at(
                    "plans", f"{one.id} and {other.id} are of one animal and have days in common"
                )


def _ensure_up_to_date(
    session: Session, views: Views, plans: Sequence[SupplementPlan], at: datetime
) -> None:
    """Raise Conflict naming each plan that is not what is called for now."""
    stale = list(_out_of_date(session, views, plans, at))
    over = [each for each in stale if each.over_limit]
    if not stale:
        return
    advice = "Plan again and sign what is proposed then; nothing was signed."
    shown = {"plans": [{"plan": each.plan.id, "differences": each.why} for each in stale]}
    said = "; ".join(f"plan {s.plan.id}: {', '.join(s.why)}" for s in (over or stale)[:5])
    if over:
        raise Conflict(said, kind="over-limit", advice=advice, extra={**shown})
    raise Conflict(said, kind="plan-out-of-date", advice=advice, extra={**shown})


def _out_of_date(
    session: Session, views: Views, plans: Sequence[SupplementPlan], at: datetime
) -> Iterator[_OutOfDate]:
    """Each plan beside what is called for on its first day that is not over."""
    animals = queries.animals_by_id(session, [plan.animal_id for plan in plans])
    asked: dict[tuple[int, PlanBasis, date], list[SupplementPlan]] = {}
    for plan in plans:
        today = views[plan.site_id].day_of(at)
        basis = PlanBasis(plan.basis)
        day = max(plan.day, today) if basis is PlanBasis.DIET else plan.day
        if plan.until_day is not None and plan.until_day < day:
            yield _OutOfDate(plan, [f"its last day was {plan.until_day}"])
            continue
        asked.setdefault((plan.site_id, basis, day), []).append(plan)
    for (site_id, basis, day), mine in asked.items():
        view = views[site_id]
        chosen = list({plan.animal_id: animals[plan.animal_id] for plan in mine}.values())
        found = work_out(session, view, day, chosen, basis, at=at)
        fresh = {each.animal.id: each for each in found.plans}
        why_not = {animal.id: problem.detail for animal, problem in found.left_out}
        for plan in mine:
            now = fresh.get(plan.animal_id)
            if now is None:
                yield _OutOfDate(plan, [why_not[plan.animal_id]])
                continue
            compared = Compared(plan, now, view)
            if compared.changed:
                yield _OutOfDate(plan, compared.differences, compared.dangerous)


def _replaced(
    views: Views,
    plans: Sequence[SupplementPlan],
    standing: Sequence[SupplementPlan],
    signature: SupplementSignature,
) -> Iterator[SupplementOrderEnd]:
    """Ends of the orders that these take the place of, from their first day that is not over."""
    of_animals: dict[int, list[SupplementPlan]] = {}
    for old in standing:
        of_animals.setdefault(old.animal_id, []).append(old)
    for plan in plans:
        left = of_animals.get(plan.animal_id, [])
        gone = [old for old in left if rules.takes_the_place(_span(plan), _span(old))]
        of_animals[plan.animal_id] = [old for old in left if old not in gone]
        today = views[plan.site_id].day_of(signature.recorded_at)
        for old in gone:
            yield SupplementOrderEnd(
                plan_id=old.id or 0,
                why=EndedWhy.REPLACED,
                from_day=max(plan.day, today),
                differences=rules.differences(old.document, plan.document),
                next_plan_id=plan.id,
                ended_at=signature.signed_at,
                recorded_at=signature.recorded_at,
                by=signature.signed_by,
            )


def _span(plan: SupplementPlan) -> tuple[date, date | None]:
    """First and last day; what was worked out from feeds is of its own day only."""
    return plan.day, plan.day if plan.basis == PlanBasis.FEEDS else plan.until_day
