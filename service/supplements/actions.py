"""Setting requirements, planning supplements, signing, giving."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime
from math import inf

from sqlmodel import Session, col, select

from service.animals import queries as animals
from service.animals.models import Animal
from service.catalogue.models import SupplementProduct
from service.catalogue.queries import supplement_products
from service.catalogue.rules import Basis, Divisible, in_service_unit, nutrients
from service.decisions import Finding, decide
from service.errors import Conflict, Invalid
from service.http.bodies import instant_of, refuse_future
from service.science.dosing import Dose, Need, Offer, choose_pieces
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites
from service.site.queries import SiteView
from service.site.rules import finding
from service.supplements import queries, rules
from service.supplements.models import Requirement, SupplementGiven, SupplementPlan
from service.supplements.rules import Food, Line, Mode, PlanBasis, PlanStatus, Scope
from service.supplements.schemas import (
    GivenIn,
    GivenItem,
    Gives,
    PlanIn,
    PlanLine,
    PlannedSupplement,
    PlanOut,
    RequirementIn,
    SignIn,
    UnmetNeed,
)


def set_requirement(
    session: Session, new: RequirementIn, *, at: datetime, by: Actor
) -> tuple[Requirement, str]:
    """A requirement of the site's own. Raises NotFound, Invalid for a unit that does not fit."""
    site_id, animal, shown = _reach(session, new, by)
    sites.happened_at(session, site_id, new.occurred_at, now=at)
    stored = Requirement(
        site_id=site_id,
        nutrient=new.nutrient,
        basis=new.basis,
        mode=new.mode,
        per=new.per,
        scope=Scope.ANIMAL if animal else Scope.GROUP if new.applies_to.group else Scope.SITE,
        group_name=new.applies_to.group,
        animal_id=animal.id if animal else None,
        amount=_converted(new, new.amount, "unit"),
        limit_on=new.limit_on,
        source=new.source,
        cap_per_day=_optional(new, new.cap_per_day),
        limit_per_day=_optional(new, new.limit),
        recorded_at=at,
        by=by.name,
    )
    session.add(stored)
    session.flush()
    audit.note(
        session,
        by,
        "requirement set",
        f"{new.nutrient} for {shown}",
        at=at,
        site_id=site_id,
        after=new,
    )
    return stored, shown


def _reach(session: Session, new: RequirementIn, by: Actor) -> tuple[int, Animal | None, str]:
    to = new.applies_to
    if to.animal is not None:
        animal = animals.animal_by_code(session, to.animal, by=by, field="applies_to.animal")
        return animal.site_id, animal, f"animal {animal.code}"
    field = "applies_to.site" if to.site else "site"
    site = sites.site_or_only(session, to.site or new.site, by=by, field=field)
    assert site.id is not None
    return site.id, None, f"group {to.group}" if to.group else f"site {site.code}"


def _converted(new: RequirementIn, amount: float, field: str) -> float:
    try:
        return in_service_unit(new.nutrient, amount, new.unit)
    except ValueError as error:
        raise Invalid.at(field, str(error)) from error


def _optional(new: RequirementIn, amount: float | None) -> float | None:
    return None if amount is None else _converted(new, amount, "unit")


def plan(session: Session, order: PlanIn, *, at: datetime, by: Actor) -> PlanOut:
    """What to add for an animal on a day, and which pieces give it; proposed, not ordered.

    Raises NotFound, Conflict where no diet is in force or a body mass is missing.
    """
    animal = animals.animal_by_code(session, order.animal, by=by)
    view = sites.view(session, animal.site_id, at=at)
    sites.happened_at(session, view.id, order.occurred_at, now=at)
    food, found = _day(session, animal, order.day, order.basis, view, at)
    if order.basis is PlanBasis.DIET and not food:
        raise Conflict(
            f"no diet of {animal.code} is in force on {order.day}",
            kind="no-diet",
            advice="Set a diet first, or plan from feeds.",
        )
    stored = SupplementPlan(
        site_id=view.id,
        animal_id=animal.id or 0,
        day=order.day,
        basis=order.basis,
        status=PlanStatus.PROPOSED,
        document={},
        recorded_at=at,
        by=by.name,
    )
    session.add(stored)
    session.flush()
    answer = _plan_out(session, stored, animal, found, food)
    stored.document = answer.model_dump(mode="json")
    session.add(stored)
    session.flush()
    audit.note(
        session,
        by,
        "supplements planned",
        animal.code,
        at=at,
        site_id=view.id,
        after=answer,
        detail={"plan": stored.id, "day": str(order.day)},
    )
    return answer


def _day(
    session: Session, animal: Animal, day: date, basis: PlanBasis, view: SiteView, at: datetime
) -> tuple[list[Food], list[Line]]:
    """An animal's food of a day and what it must have added, by what is in force now."""
    wanted = rules.in_force(queries.set_for(session, animal), animal.group_name)
    needs_content = any(
        w.mode is Mode.TOTAL or w.limit is not None or w.basis is Basis.DRY_MATTER for w in wanted
    )
    food = queries.food_of(session, animal, day, basis, view, at=at, with_content=needs_content)
    body_mass = animals.body_mass_g(session, animal.id or 0, at=at)
    credit = view.policy.credit_thiamine_and_vitamin_e
    try:
        found = rules.lines(wanted, food, body_mass, credit_thiamine_and_vitamin_e=credit)
    except ValueError as error:
        raise Conflict(
            str(error),
            kind="no-body-mass",
            advice="Record the animal's weight, then plan again.",
        ) from error
    return food, found


def _plan_out(
    session: Session,
    stored: SupplementPlan,
    animal: Animal,
    found: Sequence[Line],
    food: Sequence[Food],
) -> PlanOut:
    products = supplement_products(session)
    dose = _dose(found, products)
    species = [f.species for f in food]
    supplements = [
        _supplement(p, dose, rules.placement(species)) for p in products if p.code in dose.pieces
    ]
    given: dict[str, float] = {}
    for gives in (g for s in supplements for g in s.gives):
        given[gives.nutrient] = given.get(gives.nutrient, 0.0) + gives.amount
    return PlanOut(
        id=stored.id or 0,
        animal=animal.code,
        day=stored.day,
        basis=PlanBasis(stored.basis),
        status=PlanStatus.PROPOSED,
        food_g=sum(f.grams for f in food),
        lines=[_plan_line(line, given.get(line.nutrient, 0.0)) for line in found],
        supplements=supplements,
        cautions=list(rules.CAUTIONS),
        unmet=[
            UnmetNeed(
                nutrient=u.nutrient,
                short_by=_short(u.short_by),
                why=u.why,
                unit=nutrients()[u.nutrient].amount_unit,
            )
            for u in dose.unmet
        ],
    )


def _dose(found: Sequence[Line], products: Sequence[SupplementProduct]) -> Dose:
    needs = [Need(line.nutrient, line.add, line.room) for line in found]
    offers = [
        Offer(p.code, {n: a / pieces for n, a in p.contents.items()}, pieces)
        for p in products
        for pieces in [_pieces_per_unit(p)]
    ]
    return choose_pieces(needs, offers)


def _pieces_per_unit(product: SupplementProduct) -> int:
    return 2 if product.divisible == Divisible.HALF else 1


def _supplement(product: SupplementProduct, dose: Dose, where: str) -> PlannedSupplement:
    count = dose.pieces[product.code] / _pieces_per_unit(product)
    return PlannedSupplement(
        product=product.code,
        name=product.name,
        count=count,
        placement=where,
        gives=[
            Gives(nutrient=n, amount=_short(a * count), unit=nutrients()[n].amount_unit)
            for n, a in product.contents.items()
        ],
    )


def _plan_line(line: Line, given: float) -> PlanLine:
    return PlanLine(
        nutrient=line.nutrient,
        required=_short(line.required),
        credit=_short(line.credit),
        add=_short(line.add),
        unit=nutrients()[line.nutrient].amount_unit,
        given=_short(given),
        range=(_short(line.low), _short(line.high)),
        limit=line.limit,
        source=line.source,
        room=None if line.room == inf else _short(line.room),
    )


def _short(value: float) -> float:
    return float(f"{value:.6g}")


def sign(session: Session, number: int, signature: SignIn, *, at: datetime, by: Actor) -> PlanOut:
    """A nutritionist or vet orders a plan to be given. Raises Conflict if it was signed before."""
    stored = queries.plan_by_id(session, number, by=by, lock=True)
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
    return shown(stored)


def shown(stored: SupplementPlan) -> PlanOut:
    """A stored plan as it was made, with where it stands."""
    return PlanOut.model_validate(stored.document).model_copy(
        update={
            "status": PlanStatus(stored.status),
            "signed_by": stored.signed_by,
            "signed_at": stored.signed_at,
        }
    )


def give(
    session: Session, number: int, order: GivenIn, *, at: datetime, by: Actor
) -> tuple[SupplementPlan, list[SupplementGiven], tuple[Finding, ...]]:
    """Record what an animal was given under a plan.

    Raises RuleRefused: not signed, given already, over a limit.
    """
    refuse_future(order.occurred_at, now=at)
    stored = queries.plan_by_id(session, number, by=by, lock=True)
    view = sites.view(session, stored.site_id, at=at)
    occurred_at = instant_of(order.occurred_at, now=at, skew=view.policy.skew)
    day = order.day or view.day_of(occurred_at)
    if day > view.day_of(at + view.policy.skew):
        raise Invalid.at("day", "lies in the future")
    products = queries.products_by_code(session, [i.product for i in order.supplements])
    session.exec(select(Animal).where(col(Animal.id) == stored.animal_id).with_for_update()).one()
    before = queries.given_on(session, stored.animal_id, day)
    animal = session.get_one(Animal, stored.animal_id)
    _, limits = _day(session, animal, day, PlanBasis(stored.basis), view, at)
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
    ordered = {s.product: s.count for s in shown(stored).supplements}
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
