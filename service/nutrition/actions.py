"""What animals get in all on a day; nothing is stored."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlmodel import Session

from service.animals import queries as animals
from service.animals.models import Animal
from service.catalogue.rules import COUNTED_IN, DoseForm, nutrients, species_facts
from service.nutrition.rules import (
    CLOSES_WITHIN,
    Row,
    Total,
    balance_of,
    dry_matter_g,
    ratios,
    rows,
)
from service.nutrition.schemas import (
    FoodOut,
    NutrientRow,
    NutritionOut,
    NutritionsOut,
    RatioOut,
    SupplementOut,
    TotalOut,
)
from service.security.actor import Actor
from service.site import queries as sites
from service.site.queries import SiteView
from service.supplements.actions.working import Worked, work_out
from service.supplements.models import SupplementPlan
from service.supplements.queries.standing import in_force
from service.supplements.rules import PlanBasis
from service.supplements.rules.energy import with_energy
from service.supplements.rules.limits import above_published
from service.supplements.rules.needs import Food
from service.supplements.schemas import AmountOut, LeftOut


@dataclass(frozen=True)
class Added:
    """What is added on a day: amounts by tag, products, and whose word it is."""

    amounts: Mapping[str, float]
    products: Sequence[SupplementOut]
    said: str


def of_animal(
    session: Session, code: str, day: date | None, basis: PlanBasis, *, at: datetime, by: Actor
) -> NutritionOut:
    """The whole diet of an animal on a day, today if none is named.

    Raises NotFound, Conflict as a plan does. Queries as for a plan, and one.
    """
    animal = animals.animal_by_code(session, code, by=by)
    view = sites.view(session, animal.site_id, at=at)
    on = day or view.day_of(at)
    found = work_out(session, view, on, [animal], basis, at=at)
    for _, problem in found.left_out:
        raise problem
    worked = found.plans[0]
    orders = in_force(session, view.id, on, [animal.id or 0])
    return _shown(worked, _added(worked, next(iter(orders), None)), view)


def of_many(
    session: Session,
    site: str | None,
    group: str | None,
    day: date | None,
    basis: PlanBasis,
    *,
    at: datetime,
    by: Actor,
) -> NutritionsOut:
    """The nutrients of the animals of a group, else of a site, on a day.

    Who cannot be worked out is told with the reason. Queries as for plans of many, and one.
    """
    view, chosen, on = _chosen(session, site, group, day, at, by)
    found = work_out(session, view, on, chosen, basis, at=at)
    ids = [worked.animal.id or 0 for worked in found.plans]
    orders = {order.animal_id: order for order in in_force(session, view.id, on, ids)}
    return NutritionsOut(
        day=on,
        basis=basis,
        items=[
            _row_out(row, worked.animal.code)
            for worked in found.plans
            for row in _rows(worked, _added(worked, orders.get(worked.animal.id or 0)))
        ],
        left_out=[
            LeftOut(animal=animal.code, day=on, kind=problem.kind, why=problem.detail)
            for animal, problem in found.left_out
        ],
    )


def _chosen(
    session: Session,
    site: str | None,
    group: str | None,
    day: date | None,
    at: datetime,
    by: Actor,
) -> tuple[SiteView, Sequence[Animal], date]:
    if group is not None:
        of_group = animals.group_by_code(session, group, by=by)
        view = sites.view(session, of_group.site_id, at=at)
        return view, animals.members(session, of_group.id or 0, at=at), day or view.day_of(at)
    view = sites.view_of(session, sites.site_or_only(session, site, by=by), at=at)
    on = day or view.day_of(at)
    return view, animals.present(session, view.id, on), on


def _added(worked: Worked, order: SupplementPlan | None) -> Added:
    """By the order in force, else by what would be proposed now."""
    if order is None:
        products = [
            SupplementOut(
                product=p.code,
                count=p.count(worked.dose.pieces[p.code]),
                counted_in=COUNTED_IN[DoseForm(p.form)],
            )
            for p in worked.products
            if worked.dose.pieces.get(p.code, 0)
        ]
        return Added(_amounts(worked), products, "proposed now: no order is in force")
    planned: list[dict[str, Any]] = order.document["supplements"]
    amounts: dict[str, float] = {}
    for gives in (g for each in planned for g in each["gives"]):
        amounts[gives["nutrient"]] = amounts.get(gives["nutrient"], 0.0) + gives["amount"]
    products = [
        SupplementOut(
            product=each["product"],
            count=each["count"],
            counted_in=each.get("counted_in", "piece"),
        )
        for each in planned
    ]
    return Added(amounts, products, f"plan {order.id}, signed by {order.signed_by}")


def _amounts(worked: Worked) -> dict[str, float]:
    amounts: dict[str, float] = {}
    for product in worked.products:
        count = product.count(worked.dose.pieces.get(product.code, 0))
        for tag, amount in product.contents.items() if count else ():
            amounts[tag] = amounts.get(tag, 0.0) + amount * count
    return amounts


def _food(worked: Worked) -> list[Food]:
    return [with_energy(each) for each in worked.fed.food]


def _rows(worked: Worked, added: Added) -> list[Row]:
    return rows(
        _food(worked),
        added.amounts,
        worked.lines,
        worked.body_mass_g,
        group=worked.animal.group_name,
    )


def _shown(worked: Worked, added: Added, view: SiteView) -> NutritionOut:
    food, found = _food(worked), _rows(worked, added)
    units = view.units
    return NutritionOut(
        animal=worked.animal.code,
        day=worked.day,
        basis=worked.basis,
        food=[_food_out(each, view) for each in food],
        mass=units.mass_out(sum(f.grams for f in food)),
        dry_matter=units.mass_out(round(dry_matter_g(food))),
        body_mass=None if worked.body_mass_g is None else units.mass_out(worked.body_mass_g),
        supplements=list(added.products),
        supplements_from=added.said,
        items=[_row_out(row, worked.animal.code) for row in found],
        ratios=[
            RatioOut(
                name=r.name, unit=r.unit, value=_short(r.value), missing=r.missing, source=r.source
            )
            for r in ratios(found)
        ],
        findings=[
            finding
            for row in found
            if row.total is not None
            for finding in above_published(
                row.nutrient,
                (row.fish.high if row.fish else 0.0) + (row.supplements or 0.0),
                dry_matter_g(food),
                group=worked.animal.group_name,
            )
        ],
    )


def _food_out(food: Food, view: SiteView) -> FoodOut:
    energy, balance = food.content["ENERC"], balance_of(food)
    return FoodOut(
        species=food.species,
        name=species_facts()[food.species].name,
        lot=food.lot,
        mass=view.units.mass_out(food.grams),
        dry_matter=view.units.mass_out(round(dry_matter_g([food]))),
        water=_number(100 * food.water_share),
        energy_kcal_per_kg=_number(10 * energy.value),
        energy_from=energy.source,
        proximates=_short(balance),
        closes=None if balance is None else abs(balance - 100) <= CLOSES_WITHIN,
    )


def _row_out(row: Row, animal: str) -> NutrientRow:
    against, line = row.against, row.against.line
    return NutrientRow(
        animal=animal,
        nutrient=row.nutrient,
        name=nutrients()[row.nutrient].name,
        unit=nutrients()[row.nutrient].amount_unit,
        fish=None
        if row.fish is None
        else AmountOut(
            low=_number(row.fish.low), value=_number(row.fish.value), high=_number(row.fish.high)
        ),
        missing_in=list(row.missing_in),
        supplements=_short(row.supplements),
        total=_total(row.total),
        at_least=row.total is not None and row.total.high is None,
        as_fed=_total(row.as_fed),
        dry_matter=_total(row.dry),
        per_kg_body_mass=_total(row.by_mass),
        required=None if line is None else _short(line.required),
        required_as=None if line is None else line.parts[0].wanted.mode,
        percent_counted=_percent(against.counted),
        percent_estimated=_percent(against.estimated),
        requirement_source=None if line is None else line.source,
        limit=None if line is None else line.limit,
        limit_on=None if line is None or line.limit is None else line.limit_on,
        percent_of_limit=_percent(against.of_limit),
        published=_short(against.published_amount),
        published_of=against.published and against.published.of,
        published_source=against.published
        and f"{against.published.source} [{against.published.flag}]",
        percent_of_published=_percent(against.of_published),
    )


def _total(total: Total | None) -> TotalOut | None:
    if total is None:
        return None
    return TotalOut(low=_number(total.low), value=_number(total.value), high=_short(total.high))


def _percent(share: float | None) -> float | None:
    return None if share is None else float(f"{100 * share:.4g}")


def _short(value: float | None) -> float | None:
    return None if value is None else _number(value)


def _number(value: float) -> float:
    """Six digits."""
    return float(f"{value:.6g}")
