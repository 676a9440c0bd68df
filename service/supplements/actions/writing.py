"""A plan as it is written down once, and shown from what was written."""

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from math import inf
from typing import Any

from service.catalogue.rules import COUNTED_IN, DoseForm, nutrients
from service.decisions import Finding
from service.quality.rules.content import Held
from service.science.dose_changes import smallest_changes
from service.science.dosing import Need, choose_pieces
from service.site.queries import SiteView
from service.site.rules import finding
from service.supplements.actions.working import Worked
from service.supplements.models import SupplementPlan
from service.supplements.rules import CAUTIONS, LimitOn, PlanStatus
from service.supplements.rules.limits import above_published
from service.supplements.rules.needs import Food, Line, in_fish
from service.supplements.rules.placement import Giving, givings
from service.supplements.rules.products import Product
from service.supplements.rules.requirements import Wanted
from service.supplements.rules.steps import fish as fish_by_name
from service.supplements.schemas import (
    AmountOut,
    FoodUsed,
    Gives,
    GivingOut,
    HeldUsed,
    PlanLine,
    PlannedSupplement,
    PlanOut,
    PlanShort,
    ProductUsed,
    RequirementSetAside,
    RequirementUsed,
    SuggestionOut,
    TotalOut,
    UnmetNeed,
    WorkedFrom,
)


def document_of(worked: Worked, view: SiteView) -> dict[str, Any]:
    """All of a plan but its number and where it stands, and what it was worked out from."""
    document = unstored(worked).model_dump(mode="json")
    document["worked_from"] = _worked_from(worked, view).model_dump(mode="json")
    return document


def unstored(worked: Worked) -> PlanOut:
    """A plan as it is shown, without a number: nobody has proposed it."""
    supplements = [
        _supplement(product, worked) for product in worked.products if _pieces(product, worked)
    ]
    given: dict[str, float] = {}
    for gives in (g for s in supplements for g in s.gives):
        given[gives.nutrient] = given.get(gives.nutrient, 0.0) + gives.amount
    return PlanOut(
        id=0,
        animal=worked.animal.code,
        day=worked.day,
        basis=worked.basis,
        status=PlanStatus.PROPOSED,
        food_g=sum(f.grams for f in worked.fed.food),
        lines=[_plan_line(line, given.get(line.nutrient, 0.0)) for line in worked.lines],
        supplements=supplements,
        unmet=[
            UnmetNeed(
                nutrient=u.nutrient,
                short_by=_short(u.short_by),
                why=u.why.replace(u.nutrient, nutrients()[u.nutrient].name),
                unit=nutrients()[u.nutrient].amount_unit,
            )
            for u in worked.dose.unmet
        ],
        cost=_short(worked.dose.cost),
        exact=worked.dose.exact,
        findings=list(_findings(worked, given)),
        suggestions=[
            SuggestionOut(nutrient=s.nutrient, words=s.words, source=s.source)
            for s in worked.suggestions
        ],
        cautions=list(CAUTIONS),
    )


def plan_out(stored: SupplementPlan) -> PlanOut:
    """A stored plan as it was made, with where it stands."""
    return PlanOut.model_validate(
        {
            **stored.document,
            "id": stored.id,
            "status": PlanStatus(stored.status),
            "until": stored.until_day,
            "signed_by": stored.signed_by,
            "signed_at": stored.signed_at,
        }
    )


def plan_short(stored: SupplementPlan, site: str) -> PlanShort:
    """A stored plan as it stands in a list."""
    plan = plan_out(stored)
    return PlanShort(
        id=plan.id,
        site=site,
        animal=plan.animal,
        day=plan.day,
        until=plan.until,
        basis=plan.basis,
        status=plan.status,
        food_g=plan.food_g,
        pieces="; ".join(f"{each.count:g} × {each.product}" for each in plan.supplements),
        unmet="; ".join(f"{u.nutrient} {u.short_by:g} {u.unit}" for u in plan.unmet),
        cost=plan.cost,
        recorded_at=stored.recorded_at,
        by=stored.by,
        signed_by=plan.signed_by,
        signed_at=plan.signed_at,
    )


def with_changes(plan: PlanOut, document: Mapping[str, Any]) -> PlanOut:
    """A plan with what would make its unmet needs possible, from what it was worked out from.

    Some ten milliseconds for each unmet need.
    """
    if not plan.unmet or "worked_from" not in document:
        return plan
    used = WorkedFrom.model_validate(document["worked_from"])
    offers = [
        Product(p.product, p.name, p.form, p.smallest, p.contents, p.price, p.batch).offer
        for p in used.products
    ]
    needs = [
        Need(line.nutrient, line.add, inf if line.room is None else line.room, line.unit)
        for line in plan.lines
    ]
    found = smallest_changes(needs, offers, choose_pieces(needs, offers))
    return plan.model_copy(update={"changes": [change.words for change in found]})


def _pieces(product: Product, worked: Worked) -> int:
    return worked.dose.pieces.get(product.code, 0)


def _supplement(product: Product, worked: Worked) -> PlannedSupplement:
    count = product.count(_pieces(product, worked))
    given = givings(
        product.contents.keys(),
        product.form,
        count,
        product.smallest,
        worked.fed.meals,
        worked.fed.food,
    )
    return PlannedSupplement(
        product=product.code,
        name=product.name,
        count=count,
        counted_in=COUNTED_IN[DoseForm(product.form)],
        batch=product.batch,
        placement=given[0].how,
        givings=[_giving(each) for each in given],
        gives=[
            Gives(nutrient=n, amount=_short(a * count), unit=nutrients()[n].amount_unit)
            for n, a in product.contents.items()
        ],
    )


def _giving(giving: Giving) -> GivingOut:
    return GivingOut(
        count=giving.count, how=giving.how, feed=giving.feed, at=giving.at, fish=giving.fish
    )


def _plan_line(line: Line, given: float) -> PlanLine:
    fish = line.fish
    return PlanLine(
        nutrient=line.nutrient,
        required=_short(line.required),
        credit=_short(line.credit),
        add=_short(line.add),
        unit=nutrients()[line.nutrient].amount_unit,
        given=_short(given),
        range=(_short(line.low), _short(line.high)),
        limit=line.limit,
        limit_on=line.limit_on,
        source=line.source,
        room=None if line.room == inf else _short(line.room),
        in_fish=None
        if fish is None
        else AmountOut(low=_short(fish.low), value=_short(fish.value), high=_short(fish.high)),
        unknown_in=list(line.unknown),
        why_no_credit=line.why_no_credit,
        total=None
        if fish is None
        else TotalOut(
            low=_short(fish.low + given),
            high=None if line.unknown else _short(fish.high + given),
        ),
    )


def _findings(worked: Worked, given: Mapping[str, float]) -> Iterator[Finding]:
    dry_g = sum(f.grams * (1 - f.water_share) for f in worked.fed.food)
    for line in worked.lines:
        if line.unknown and line.limit is not None and line.limit_on is LimitOn.TOTAL:
            yield finding(
                "limit-not-judged",
                "warn",
                f"nobody knows how much {nutrients()[line.nutrient].name} "
                f"{', '.join(map(fish_by_name, line.unknown))} holds: whether "
                f"the limit of {line.limit:g} {nutrients()[line.nutrient].amount_unit} is kept "
                "cannot be judged",
            )
    # A multi-vitamin brings nutrients along that nobody requires.
    for nutrient in sorted({line.nutrient for line in worked.lines} | given.keys()):
        fish, _ = in_fish(nutrient, worked.fed.food)
        most = (fish.high if fish else 0.0) + given.get(nutrient, 0.0)
        yield from above_published(nutrient, most, dry_g, group=worked.animal.group_name)


def _worked_from(worked: Worked, view: SiteView) -> WorkedFrom:
    """The figures behind a plan, as far as its lines need them."""
    tags = {line.nutrient for line in worked.lines}
    return WorkedFrom(
        food=[_food_used(food, tags) for food in worked.fed.food],
        requirements=list(_requirements_used(worked.lines)),
        set_aside=[_set_aside(each) for each in worked.set_aside if each.nutrient in tags],
        products=[
            ProductUsed(
                product=p.code,
                name=p.name,
                form=DoseForm(p.form),
                smallest=p.smallest,
                contents=dict(p.contents),
                price=p.price,
                batch=p.batch,
            )
            for p in worked.products
            if tags & p.contents.keys()
        ],
        body_mass_g=worked.body_mass_g,
        policy_version=worked.policy_version,
        credits_thiamine_and_vitamin_e=view.policy.credit_thiamine_and_vitamin_e,
    )


def _food_used(food: Food, tags: set[str]) -> FoodUsed:
    return FoodUsed(
        species=food.species,
        grams=food.grams,
        lot=food.lot,
        water_share=_short(food.water_share),
        destroys_thiamine=food.destroys_thiamine,
        content={
            tag: _held_used(held)
            for tag in sorted(tags)
            if (held := food.content.get(tag)) is not None
        },
    )


@lru_cache(maxsize=1024)
def _held_used(held: Held) -> HeldUsed:
    """Of a lot that many animals eat of it is written once."""
    return HeldUsed(
        low=_short(held.low),
        value=_short(held.value),
        high=_short(held.high),
        credited=(_short(held.credited[0]), _short(held.credited[1])),
        source=held.source,
        start=_short(held.start.value),
        share_left=_short(held.share_left[1]),
        steps=list(held.steps),
    )


def _set_aside(wanted: Wanted) -> RequirementSetAside:
    return RequirementSetAside(
        requirement=wanted.number or None,
        nutrient=wanted.nutrient,
        amount=wanted.amount,
        unit=nutrients()[wanted.nutrient].amount_unit,
        basis=wanted.basis,
        mode=wanted.mode,
        per=wanted.per,
        scope=wanted.scope,
        source=wanted.source,
    )


def _requirements_used(found: Sequence[Line]) -> Iterator[RequirementUsed]:
    for line in found:
        for part in (*line.parts, *line.others):
            wanted = part.wanted
            yield RequirementUsed(
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
                cap_per_day=None if part.cap is None else _short(part.cap),
                limit=wanted.limit,
                limit_on=wanted.limit_on,
                source=wanted.source,
                food_g=None if part.food_g is None else _short(part.food_g),
                before_cap=_short(part.before_cap),
                required=_short(part.required),
                credit=_short(part.credit[0]),
                decides=part in line.parts,
            )


def _short(value: float) -> float:
    return float(f"{value:.6g}")
