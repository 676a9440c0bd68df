"""Where the supplements of animals stand: orders, a day's round, differences between plans."""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import Any

from sqlmodel import Session

from service.animals.models import Animal
from service.catalogue.models import SupplementProduct
from service.catalogue.rules import COUNTED_IN, DoseForm, nutrients
from service.diets.queries.need import shares_of
from service.errors import Conflict, Invalid
from service.security.actor import Actor
from service.site import queries as sites
from service.site.queries import SiteView
from service.supplements.actions.standing import Compared, Reviewed, compare
from service.supplements.actions.working import equal_rank, wanted_for
from service.supplements.actions.writing import plan_out, with_changes
from service.supplements.models import (
    SupplementGiven,
    SupplementGivenReversal,
    SupplementOrderEnd,
    SupplementPlan,
)
from service.supplements.queries import standing as queries
from service.supplements.queries.plans import plan_by_id
from service.supplements.queries.requirements import requirements_on
from service.supplements.queries.standing import SHOWN_FOR, RecordedRow
from service.supplements.rules import PlanBasis
from service.supplements.rules import standing as rules
from service.supplements.rules.placement import on_day
from service.supplements.rules.requirements import EqualRank, Wanted
from service.supplements.rules.standing import EndedWhy, GivenOutcome, OrderState
from service.supplements.schemas import (
    DifferencesOut,
    GivenRow,
    GivingOut,
    OrderedSupplement,
    OrderEndOut,
    OrderOut,
    PlanStandingOut,
    RequirementInForce,
    ReviewOut,
    RoundLine,
)


@dataclass(frozen=True)
class Standing:
    """A plan, where it stands, and what goes with it."""

    state: OrderState
    plan: SupplementPlan
    end: SupplementOrderEnd | None = None
    compared: Compared | None = None

    @property
    def differences(self) -> list[str]:
        """What has changed since it was made, in words, as far as it was looked at."""
        if self.compared is not None:
            return self.compared.differences
        return self.end.differences if self.end is not None else []


def orders(
    session: Session, view: SiteView, state: OrderState | None, *, at: datetime
) -> list[OrderOut]:
    """Where each animal of a site stands: by animal, an order before what is proposed.

    Orders in force are held against today's figures. Left out, state is: all but orders that
    others have replaced. At most eight queries and one `work_out`.
    """
    found = standings(session, view, state, at=at)
    return _shown(session, view, against_today(session, view, found, at=at))


def standings(
    session: Session,
    view: SiteView,
    state: OrderState | None = None,
    *,
    at: datetime,
    animal_ids: Collection[int] | None = None,
) -> list[Standing]:
    """Where each animal of a site stands, not held against today's figures. Four queries."""
    today = view.day_of(at)
    in_force = queries.in_force(session, view.id, today, animal_ids)
    found: list[Standing] = []
    if state in (None, OrderState.IN_FORCE):
        found += [Standing(OrderState.IN_FORCE, plan) for plan in in_force]
    if state in (None, OrderState.TO_COME):
        plans = queries.to_come(session, view.id, today, animal_ids)
        found += [Standing(OrderState.TO_COME, plan) for plan in plans]
    if state in (None, OrderState.LAPSED, OrderState.WITHDRAWN):
        ordered = {plan.animal_id for plan in in_force}
        found += _ended(queries.last_ends(session, view.id, animal_ids), ordered, state)
    if state in (None, OrderState.PROPOSED):
        plans = queries.proposed(session, view.id, today, animal_ids, since=at - SHOWN_FOR)
        found += [Standing(OrderState.PROPOSED, plan) for plan in plans]
    return found


def against_today(
    session: Session, view: SiteView, found: Sequence[Standing], *, at: datetime
) -> list[Standing]:
    """The same, orders in force beside today's figures. One `work_out` of their animals."""
    plans = [s.plan for s in found if s.state == OrderState.IN_FORCE]
    diets = [plan for plan in plans if plan.basis == PlanBasis.DIET]
    compared, _ = compare(session, view, view.day_of(at), diets, at=at)
    by_plan = {each.order.id: each for each in compared}
    return [replace(each, compared=by_plan.get(each.plan.id)) for each in found]


def _ended(
    ends: Sequence[tuple[SupplementPlan, SupplementOrderEnd]],
    ordered: set[int],
    state: OrderState | None,
) -> Iterator[Standing]:
    """The last order of animals that have none, where it lapsed or was withdrawn."""
    for plan, end in ends:
        if plan.animal_id in ordered or end.why == EndedWhy.REPLACED:
            continue
        if state in (None, OrderState(end.why)):
            yield Standing(OrderState(end.why), plan, end)


def _shown(session: Session, view: SiteView, found: Sequence[Standing]) -> list[OrderOut]:
    animals = queries.animals_by_id(session, [each.plan.animal_id for each in found])
    meanings = queries.signatures(session, [each.plan for each in found])
    places = list(OrderState)
    shown = [_order_out(each, view.code, animals[each.plan.animal_id], meanings) for each in found]
    return sorted(shown, key=lambda o: (o.animal, places.index(o.state), o.plan))


def _order_out(each: Standing, site: str, animal: Animal, meanings: Mapping[int, str]) -> OrderOut:
    plan = each.plan
    return OrderOut(
        site=site,
        animal=animal.code,
        state=each.state,
        plan=plan.id or 0,
        day=plan.day,
        until=plan.until_day,
        supplements=[
            OrderedSupplement(
                product=line.product, name=line.name, count=line.count, counted_in=line.counted_in
            )
            for line in plan_out(plan).supplements
        ],
        signed_by=plan.signed_by,
        signed_as=plan.signed_as,
        signed_at=plan.signed_at,
        meaning=meanings.get(plan.signature_id or 0),
        changed=None if each.compared is None else each.compared.changed,
        differences=each.differences,
        end=None if each.end is None else end_out(each.end),
    )


def end_out(end: SupplementOrderEnd) -> OrderEndOut:
    """What ended an order, as it is shown."""
    return OrderEndOut(
        why=EndedWhy(end.why),
        from_=end.from_day,
        until=end.until_day,
        differences=end.differences,
        reason=end.reason,
        next_plan=end.next_plan_id,
        ended_at=end.ended_at,
        by=end.by,
    )


def in_force_of(session: Session, animal: Animal, day: date) -> list[RequirementInForce]:
    """The requirements that apply to an animal on a day. Raises Conflict for two of equal rank.

    One query.
    """
    try:
        found = wanted_for(animal, requirements_on(session, animal.site_id, day))
    except EqualRank as error:
        raise equal_rank(error) from error
    return [_in_force_out(each) for each in found]


def _in_force_out(wanted: Wanted) -> RequirementInForce:
    return RequirementInForce(
        requirement=wanted.number or None,
        nutrient=wanted.nutrient,
        amount=wanted.amount,
        unit=nutrients()[wanted.nutrient].amount_unit,
        basis=wanted.basis,
        mode=wanted.mode,
        per=wanted.per,
        scope=wanted.scope,
        species=wanted.species,
        but_for=sorted(wanted.but_for),
        cap_per_day=wanted.cap_per_day,
        limit=wanted.limit,
        limit_on=wanted.limit_on,
        source=wanted.source,
    )


def reviewed_out(session: Session, found: Reviewed) -> ReviewOut:
    """What a review found, as it is shown."""
    lapsed = [Standing(OrderState.LAPSED, each.order, each.end) for each in found.lapsed]
    return ReviewOut(
        reviewed=len(found.orders),
        items=_shown(session, found.view, lapsed),
        left_out=list(found.left_out),
    )


def standing_out(session: Session, plan: SupplementPlan) -> PlanStandingOut:
    """A plan with what its signature means and what ended it. Two queries."""
    ends = queries.ends_of(session, [plan.id or 0]).get(plan.id or 0, ())
    return PlanStandingOut(
        **with_changes(plan_out(plan), plan.document).model_dump(),
        meaning=queries.signatures(session, [plan]).get(plan.signature_id or 0),
        ends=[end_out(end) for end in ends],
    )


def differences(
    session: Session, number: int, against: int | None, *, at: datetime, by: Actor
) -> DifferencesOut:
    """What changed from one plan of an animal to another, the older first.

    Left out, it is held against the animal's order in force, and the order itself against
    today's figures. Raises NotFound, Invalid for another animal's plan, Conflict where there
    is nothing to hold it against.
    """
    plan = plan_by_id(session, number, by=by)
    if against is not None:
        other = plan_by_id(session, against, by=by)
        if other.animal_id != plan.animal_id:
            raise Invalid.at("against", f"plan {against} is of another animal")
    else:
        view = sites.view(session, plan.site_id, at=at)
        today = view.day_of(at)
        standing = queries.in_force(session, view.id, today, [plan.animal_id])
        if not standing or standing[0].id == plan.id:
            return _against_today(session, view, plan, today, at)
        other = standing[0]
    before, now = sorted((plan, other), key=lambda p: p.id or 0)
    return DifferencesOut(
        plan=number,
        against=other.id,
        changed=_changed(before.document, now.document),
        differences=rules.differences(before.document, now.document),
    )


def _against_today(
    session: Session, view: SiteView, plan: SupplementPlan, day: date, at: datetime
) -> DifferencesOut:
    compared, left_out = compare(session, view, day, [plan], at=at)
    if not compared:
        why = left_out[0].why if left_out else "the animal gets no fish today"
        raise Conflict(why, kind="nothing-to-compare", advice="Name a plan with `against`.")
    return DifferencesOut(
        plan=plan.id or 0,
        against=None,
        changed=compared[0].changed,
        differences=compared[0].differences,
    )


def _changed(before: Mapping[str, Any], now: Mapping[str, Any]) -> bool:
    return not rules.same(rules.pieces(before), rules.pieces(now))


def round_of(
    session: Session, view: SiteView, day: date, animal_ids: Collection[int] | None = None
) -> list[RoundLine]:
    """What the animals of a site are to get on a day and how far that is, by animal.

    animal_ids: only these.

    Who fasts, is only nursed or is gone gets nothing. Cost: orders in force, the day's
    portions, what was recorded: ten queries.
    """
    plans = queries.in_force(session, view.id, day, animal_ids)
    animals = queries.animals_by_id(session, [plan.animal_id for plan in plans])
    fed = shares_of(session, view, day, list(animals.values())) if animals else {}
    due = [p for p in plans if p.animal_id in fed or p.basis == PlanBasis.FEEDS]
    if animal_ids is None:
        recorded = queries.recorded_at_site(session, view.id, day)
    else:
        recorded = queries.recorded_on(session, day, animal_ids)
    animals |= queries.animals_by_id(session, [row.animal_id for row, _ in recorded])
    counts: dict[tuple[int, str], dict[str, float]] = defaultdict(lambda: defaultdict(float))
    lines: dict[tuple[int, str], RoundLine] = {}
    for row, product in recorded:
        key = row.animal_id, product.code
        counts[key][row.outcome] += row.count
        unit = COUNTED_IN[DoseForm(product.form)]
        named = (animals[row.animal_id].code, row.plan_id, product.code, product.name, unit)
        lines[key] = _round_line(named, 0.0, counts[key], [])
    for plan in due:
        for s in plan_out(plan).supplements:
            key = plan.animal_id, s.product
            named = (animals[plan.animal_id].code, plan.id or 0, s.product, s.name, s.counted_in)
            on_day = [_on(each, day, view) for each in s.givings]
            lines[key] = _round_line(named, s.count, counts[key], on_day)
    return sorted(lines.values(), key=lambda line: (line.animal, line.product))


def _on(giving: GivingOut, day: date, view: SiteView) -> GivingOut:
    """At the same hour as on the order's first day."""
    if giving.at is None:
        return giving
    at = on_day(giving.at, day, view.zone).astimezone(UTC)
    return giving.model_copy(update={"at": at})


def _round_line(
    named: tuple[str, int, str, str, str],
    due: float,
    counts: Mapping[str, float],
    givings: list[GivingOut],
) -> RoundLine:
    animal, plan, product, name, counted_in = named
    by_outcome = {str(outcome): counts.get(outcome, 0.0) for outcome in GivenOutcome}
    return RoundLine(
        animal=animal,
        plan=plan,
        product=product,
        name=name,
        counted_in=counted_in,
        due=due,
        **by_outcome,
        waiting=max(0.0, round(due - sum(by_outcome.values()), 6)),
        givings=givings,
    )


def given_row_of(session: Session, given: SupplementGiven) -> GivenRow:
    """One thing recorded, as it is shown. Three queries."""
    product = session.get_one(SupplementProduct, given.product_id)
    reversal = session.get(SupplementGivenReversal, given.id)
    animal = session.get_one(Animal, given.animal_id).code
    return given_row(animal, RecordedRow(given, product, reversal))


def given_row(animal: str, row: RecordedRow) -> GivenRow:
    """Something recorded of an animal's supplements, as it is shown."""
    given = row.given
    return GivenRow(
        id=given.id or 0,
        product=row.product.code,
        count=given.count,
        batch=given.batch,
        outcome=GivenOutcome(given.outcome),
        reason=given.reason,
        plan=given.plan_id,
        animal=animal,
        day=given.day,
        occurred_at=given.occurred_at,
        by=given.by,
        taken_back=row.reversal.reason if row.reversal else None,
    )
