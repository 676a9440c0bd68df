"""What animals were given of what was ordered for them."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime

from sqlmodel import Session, col, select

from service.animals.models import Animal
from service.catalogue.models import SupplementProduct
from service.catalogue.rules import nutrients
from service.decisions import Finding, decide
from service.errors import Invalid
from service.http.bodies import instant_of, refuse_future
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites
from service.site.rules import finding
from service.supplements.actions.working import limits_on
from service.supplements.actions.writing import plan_out
from service.supplements.models import SupplementGiven, SupplementPlan
from service.supplements.queries.plans import given_on, plan_by_id, products_by_code
from service.supplements.rules import PlanBasis, PlanStatus
from service.supplements.rules.needs import Line
from service.supplements.schemas import GivenIn, GivenItem


def give(
    session: Session, number: int, order: GivenIn, *, at: datetime, by: Actor
) -> tuple[SupplementPlan, list[SupplementGiven], tuple[Finding, ...]]:
    """Record what an animal was given under a plan.

    Raises RuleRefused: not signed, given already, over a limit.
    """
    refuse_future(order.occurred_at, now=at)
    stored = plan_by_id(session, number, by=by, lock=True)
    view = sites.view(session, stored.site_id, at=at)
    occurred_at = instant_of(order.occurred_at, now=at, skew=view.policy.skew)
    day = order.day or view.day_of(occurred_at)
    if day > view.day_of(at + view.policy.skew):
        raise Invalid.at("day", "lies in the future")
    products = products_by_code(session, [i.product for i in order.supplements])
    session.exec(select(Animal).where(col(Animal.id) == stored.animal_id).with_for_update()).one()
    before = given_on(session, stored.animal_id, day)
    animal = session.get_one(Animal, stored.animal_id)
    limits = limits_on(session, view, animal, day, PlanBasis(stored.basis), at=at)
    decision = decide(
        _signed(stored, order.supplements),
        _not_twice(before, order.supplements),
        _under_limits(limits, before, order.supplements, products),
    )
    breaches = site_actions.allow(
        session,
        decision,
        order,
        site=view,
        subject=f"animal {animal.code}",
        occurred_at=occurred_at,
        at=at,
        by=by,
    )
    rows = [
        SupplementGiven(
            plan_id=number,
            animal_id=stored.animal_id,
            day=day,
            count=item.count,
            product_id=products[item.product].id or 0,
            occurred_at=occurred_at,
            recorded_at=at,
            by=by.name,
        )
        for item in order.supplements
    ]
    session.add_all(rows)
    session.flush()
    audit.note(
        session,
        by,
        "supplements given",
        animal.code,
        at=at,
        site_id=view.id,
        after=rows,
        detail={
            "plan": number,
            "day": str(day),
            "breaches": [b.rule for b in breaches],
            "pieces": {i.product: i.count for i in order.supplements},
        },
    )
    return stored, rows, breaches


def _signed(stored: SupplementPlan, items: Sequence[GivenItem]) -> Iterator[Finding]:
    if stored.status != PlanStatus.SIGNED:
        yield finding("not-signed", "block", f"plan {stored.id} is not signed")
        return
    ordered = {s.product: s.count for s in plan_out(stored).supplements}
    for item in items:
        allowed = ordered.get(item.product, 0.0)
        if item.count > allowed:
            yield finding(
                "not-signed",
                "block",
                f"{item.count:g} of {item.product} were given, {allowed:g} are signed",
                numbers={"given": item.count, "signed": allowed},
            )


def _not_twice(
    before: Sequence[tuple[SupplementGiven, SupplementProduct]], items: Sequence[GivenItem]
) -> Iterator[Finding]:
    given = {product.code: row for row, product in before}
    for item in items:
        row = given.get(item.product)
        if row is not None:
            yield finding(
                "already-given",
                "block",
                f"{row.count:g} of {item.product} were given on {row.day} by {row.by}",
                numbers={"given_before": row.count},
            )


def _under_limits(
    limits: Sequence[Line],
    before: Sequence[tuple[SupplementGiven, SupplementProduct]],
    items: Sequence[GivenItem],
    products: Mapping[str, SupplementProduct],
) -> Iterator[Finding]:
    """Pieces of the day together, against the limits in force now: a signature is no shield."""
    totals: dict[str, float] = {}
    pieces = [(product, row.count) for row, product in before]
    pieces += [(products[item.product], item.count) for item in items]
    for product, count in pieces:
        for nutrient, amount in product.contents.items():
            totals[nutrient] = totals.get(nutrient, 0.0) + amount * count
    for line in limits:
        given = totals.get(line.nutrient, 0.0)
        if given > line.room * (1 + 1e-9):
            unit = nutrients()[line.nutrient].amount_unit
            yield finding(
                "over-limit",
                "block",
                f"{given:g} {unit} of {line.nutrient} in a day: {line.room:g} may be added",
                numbers={"given": given, "room": line.room, "limit": line.limit},
            )
