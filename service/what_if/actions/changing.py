"""The facts of a day, changed as somebody asks: fish, lots, storage, cupboard, requirements."""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, datetime

from sqlmodel import Session

from service.animals.models import Animal
from service.catalogue.queries import species_by_code
from service.catalogue.rules import DoseForm, smallest_piece
from service.catalogue.schemas import SupplementProductIn, strength_of
from service.errors import FieldError, Invalid, NotFound
from service.lots import queries as lots
from service.security.actor import Actor
from service.site.queries import SiteView
from service.supplements.actions.requiring import drafted
from service.supplements.actions.working import Facts
from service.supplements.queries.food import Fed, food_of, next_in_use
from service.supplements.queries.requirements import Requirements, requirements_on
from service.supplements.rules import PlanBasis
from service.supplements.rules.energy import kcal_per_kg
from service.supplements.rules.needs import Food
from service.supplements.rules.products import Product
from service.supplements.rules.requirements import Wanted
from service.what_if.rules.mixes import of_masses, of_shares, swapped, totals
from service.what_if.rules.storage import kept_on
from service.what_if.schemas import ChangedProduct, WhatIfIn


def changed_view(view: SiteView, order: WhatIfIn) -> SiteView:
    """The site with another policy of credit, where one is asked for."""
    credit = order.credit_thiamine_and_vitamin_e
    if credit is None:
        return view
    policy = view.policy.model_copy(update={"credit_thiamine_and_vitamin_e": credit})
    return replace(view, policy=policy)


def changed(
    facts: Facts,
    order: WhatIfIn,
    session: Session,
    view: SiteView,
    day: date,
    chosen: Sequence[Animal],
    *,
    at: datetime,
    by: Actor,
) -> Facts:
    """Facts as they would be. view: with the policy that would be in force.

    Raises NotFound, Invalid naming the field. Queries: of what is changed only, two for each
    species, lot and requirement that is named, whatever the number of animals.
    """
    return Facts(
        reaching=_requirements(facts, order, session, view, day, at=at, by=by),
        products=_products(facts.products, order),
        fed=_fed(facts.fed, order, session, view, day, chosen, at=at, by=by),
        masses_g=facts.masses_g
        if order.body_mass is None
        else {animal.id or 0: order.body_mass.grams for animal in chosen},
    )


def _fed(
    fed: Mapping[int, Fed],
    order: WhatIfIn,
    session: Session,
    view: SiteView,
    day: date,
    chosen: Sequence[Animal],
    *,
    at: datetime,
    by: Actor,
) -> Mapping[int, Fed]:
    otherwise = order.fish or order.swaps or order.lots or order.storage
    if order.basis is PlanBasis.FEEDS:
        _refuse_other_fish(order)
    if order.credit_thiamine_and_vitamin_e is not None:
        fed = food_of(session, view, day, chosen, order.basis, at=at)
    if not otherwise:
        return fed
    there = {f.species: f for each in fed.values() for f in each.food}
    species = _species(order, there, session)
    named = _named_lots(order, species if fed else None, session, view, by)
    new = [code for code in species if code not in there or code in named]
    stock = there | next_in_use(session, view, day, new, at=at, chosen=named)
    mixed = _mixed(fed, order, there, stock)
    if order.storage is not None:
        days, at_c = order.storage.days, order.storage.temperature.c
        stock = {code: kept_on(stock[code], days, at_c) for code in species}
    return {animal_id: _of_stock(each, stock) for animal_id, each in mixed.items()}


def _of_stock(fed: Fed, stock: Mapping[str, Food]) -> Fed:
    grams = totals(fed.meals)
    return replace(fed, food=[stock[code].of(mass) for code, mass in sorted(grams.items())])


def _refuse_other_fish(order: WhatIfIn) -> None:
    for field in ("fish", "swaps", "lots", "storage"):
        if getattr(order, field):
            raise Invalid.at(field, "what was eaten was eaten: ask by diet")


def _species(order: WhatIfIn, there: Mapping[str, Food], session: Session) -> set[str]:
    """The fish that there would be. Raises NotFound, Invalid for what is not there to swap."""
    for n, fish in enumerate(order.fish or []):
        species_by_code(session, fish.species, field=f"fish.{n}.species")
    for n, swap in enumerate(order.swaps):
        for name in ("species", "by"):
            species_by_code(session, getattr(swap, name), field=f"swaps.{n}.{name}")
        if there and swap.species not in there:
            raise Invalid.at(f"swaps.{n}.species", f"there is no {swap.species} in this food")
    if order.fish:
        return {fish.species for fish in order.fish}
    into = {swap.species: swap.by for swap in order.swaps}
    return {into.get(code, code) for code in there}


def _mixed(
    fed: Mapping[int, Fed], order: WhatIfIn, there: Mapping[str, Food], stock: Mapping[str, Food]
) -> dict[int, Fed]:
    """The feeds of each animal with other fish in them. stock: of what there would be."""
    if order.fish and order.fish[0].mass is not None:
        grams = {f.species: float(f.mass.grams) for f in order.fish if f.mass is not None}
        if not any(grams.values()):
            raise Invalid.at("fish", "the masses come to nothing")
        return {a: replace(f, meals=of_masses(f.meals, grams)) for a, f in fed.items()}
    if order.fish:
        shares = {f.species: f.share for f in order.fish if f.share is not None}
        if not any(shares.values()):
            raise Invalid.at("fish", "the shares come to nothing")
        return {a: replace(f, meals=of_shares(f.meals, shares)) for a, f in fed.items()}
    if not (order.swaps and fed):
        return dict(fed)
    into = {swap.species: swap.by for swap in order.swaps}
    worth = {
        code: kcal_per_kg(there[code]) / _energy(stock[by], n)
        for n, (code, by) in enumerate(into.items())
    }
    return {a: replace(f, meals=swapped(f.meals, into, worth)) for a, f in fed.items()}


def _energy(food: Food, number: int) -> float:
    energy = kcal_per_kg(food)
    if energy <= 0:
        raise Invalid.at(f"swaps.{number}.by", f"{food.species} has no energy by its assay")
    return energy


def _named_lots(
    order: WhatIfIn, species: Collection[str] | None, session: Session, view: SiteView, by: Actor
) -> dict[str, int]:
    """By species. species: that there would be; None where nobody eats anything."""
    named: dict[str, int] = {}
    for n, code in enumerate(order.lots):
        lot = lots.lot_by_code(session, code, by=by, field=f"lots.{n}")
        if lot.site_id != view.id:
            raise Invalid.at(f"lots.{n}", f"lot {lot.code} is of another site")
        if species is not None and lot.species_code not in species:
            raise Invalid.at(
                f"lots.{n}", f"lot {lot.code} is {lot.species_code}, which is not in this food"
            )
        if lot.species_code in named:
            raise Invalid.at(f"lots.{n}", f"a lot of {lot.species_code} is named already")
        named[lot.species_code] = lot.id or 0
    return named


def _requirements(
    facts: Facts,
    order: WhatIfIn,
    session: Session,
    view: SiteView,
    day: date,
    *,
    at: datetime,
    by: Actor,
) -> Callable[[Animal], Sequence[Wanted]]:
    if not order.requirements and not order.without_requirements:
        return facts.reaching
    required = requirements_on(session, view.id, day)
    gone = set(order.without_requirements)
    known = {row.id for row in required.rows}
    for n, number in enumerate(order.without_requirements):
        if number not in known:
            raise NotFound.of("requirement", number, f"without_requirements.{n}")
    new = []
    for n, each in enumerate(order.requirements):
        field = f"requirements.{n}"
        with _under(field):
            row, _ = drafted(session, each, at=at, by=by)
        if row.site_id != view.id:
            raise Invalid.at(f"{field}.applies_to", "is of another site")
        if each.replaces is not None and each.replaces not in known:
            raise NotFound.of("requirement", each.replaces, f"{field}.replaces")
        if not (each.from_ or day) <= day <= (each.until or day):
            raise Invalid.at(f"{field}.from", f"does not hold on {day}")
        if each.replaces is not None:
            gone.add(each.replaces)
        new.append(row)
    return Requirements([*(r for r in required.rows if r.id not in gone), *new]).reaching


def _products(offered: Sequence[Product], order: WhatIfIn) -> Sequence[Product]:
    if order.products is None:
        return offered
    by_code = {product.code: product for product in offered}
    for n, each in enumerate(order.products.changed):
        known = _known(by_code, each.product, f"products.changed.{n}.product")
        with _under(f"products.changed.{n}"):
            by_code[each.product] = _altered(known, each)
    for n, new in enumerate(order.products.added):
        if new.code in by_code:
            raise Invalid.at(f"products.added.{n}.code", "there is a product of this code")
        with _under(f"products.added.{n}"):
            by_code[new.code] = _invented(new)
    if order.products.only is None:
        return list(by_code.values())
    for n, code in enumerate(order.products.only):
        _known(by_code, code, f"products.only.{n}")
    return [product for code, product in by_code.items() if code in order.products.only]


def _known(by_code: Mapping[str, Product], code: str, field: str) -> Product:
    if code not in by_code:
        raise NotFound.of("supplement product", code, field)
    return by_code[code]


def _altered(product: Product, each: ChangedProduct) -> Product:
    if each.contents is not None:
        contents = strength_of(DoseForm(product.form), each.contents)
        product = replace(product, contents=contents, batch=None)
    return product if each.price is None else replace(product, price=each.price)


def _invented(new: SupplementProductIn) -> Product:
    return Product(
        code=new.code,
        name=new.name,
        form=new.form,
        smallest=smallest_piece(new.form, new.divisible, new.smallest),
        contents=strength_of(new.form, new.contents),
        price=new.price or 0.0,
    )


@contextmanager
def _under(field: str) -> Iterator[None]:
    """Failures inside name their fields from the whole body's beginning."""
    try:
        yield
    except (Invalid, NotFound) as error:
        error.errors = tuple(FieldError(f"{field}.{e.field}", e.message) for e in error.errors)
        if isinstance(error, Invalid):
            error.detail = f"{field}.{error.detail}"
        raise
