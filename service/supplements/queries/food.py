"""What animals are to eat, or ate, on a day, with what it holds of each nutrient."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlmodel import Session, col, select

from service.animals.models import Animal
from service.assays.queries import thiaminase_found
from service.catalogue.rules import default_content
from service.diets.queries.need import Share, shares_of
from service.feeding.queries.intake import lots_eaten_on
from service.ledger.queries import freezer_stock
from service.lots.models import Lot
from service.quality.queries.content import contents_of, usual_contents_of
from service.quality.rules.content import Held, thiaminase_of
from service.site.queries import SiteView
from service.supplements.rules import PlanBasis
from service.supplements.rules.needs import Food
from service.supplements.rules.placement import Meal
from service.thawing.rules.choosing import may_plan


@dataclass(frozen=True)
class Fed:
    """A day's food of one animal: what it is in all, and feed by feed where that is known."""

    food: Sequence[Food]
    meals: Sequence[Meal] = ()


def food_of(
    session: Session,
    view: SiteView,
    day: date,
    animals: Sequence[Animal],
    basis: PlanBasis,
    *,
    at: datetime,
) -> dict[int, Fed]:
    """A day's food of each of these animals of a site; who gets or got nothing is not there.

    By diet the lot that is next in use stands for each species; by feeds the lots that were
    eaten. Queries: those of the day's portions, two for each species, and those of
    `contents_of` for all lots together, whatever the number of animals.
    """
    if basis is PlanBasis.FEEDS:
        return _eaten(session, view, day, animals, at)
    shares = shares_of(session, view, day, animals)
    species = {share.species for each in shares.values() for share in each}
    return by_diet(shares, next_in_use(session, view, day, species, at=at))


def by_diet(shares: Mapping[int, Sequence[Share]], stock: Mapping[str, Food]) -> dict[int, Fed]:
    """Portions with the fish that stands for each species."""
    found = {}
    for animal_id, each in shares.items():
        meals: dict[int, Meal] = {}
        total: dict[str, int] = {}
        for share in each:
            meal = meals.setdefault(share.number, Meal(share.number, share.feed_at, {}))
            meals[share.number] = Meal(
                meal.number, meal.at, {**meal.grams, share.species: share.grams}
            )
            total[share.species] = total.get(share.species, 0) + share.grams
        food = [stock[species].of(grams) for species, grams in sorted(total.items())]
        found[animal_id] = Fed(food, sorted(meals.values(), key=lambda m: (m.at, m.number)))
    return found


def next_in_use(
    session: Session,
    view: SiteView,
    day: date,
    species: Iterable[str],
    *,
    at: datetime,
    chosen: Mapping[str, int] | None = None,
) -> dict[str, Food]:
    """Of each species a kilogram of the lot that is next in use; else of what is usual.

    chosen: by species the lot that is to be used before its turn. Two queries
    for each species, and those of `contents_of`.
    """
    codes = sorted(set(species))
    named = chosen or {}
    lots = {c: named.get(c) or _next_lot(session, c, view, day, at) for c in codes}
    loaded = _lots(session, [lot_id for lot_id in lots.values() if lot_id is not None])
    contents = contents_of(session, view, list(loaded.values()), at=at)
    tested = thiaminase_found(session, list(loaded), on=view.day_of(at))
    usual = usual_contents_of(view, [code for code, lot_id in lots.items() if lot_id is None])
    return {
        code: _food(code, usual[code])
        if lot_id is None
        else _food(code, contents[lot_id], loaded[lot_id].code, tested.get(lot_id))
        for code, lot_id in lots.items()
    }


def _next_lot(
    session: Session, species: str, view: SiteView, day: date, at: datetime
) -> int | None:
    # Reservations are kept for this day as for any other: whose fish it is does not matter here.
    stock = freezer_stock(session, species, site_id=view.id, now=at, order=view.policy.use_order)
    return next((p.lot_id for p in stock if may_plan(p.lot, view.policy, day)), None)


def _lots(session: Session, lot_ids: Sequence[int]) -> dict[int, Lot]:
    if not lot_ids:
        return {}
    found = session.exec(select(Lot).where(col(Lot.id).in_(lot_ids)))
    return {lot.id: lot for lot in found if lot.id is not None}


def _eaten(
    session: Session, view: SiteView, day: date, animals: Sequence[Animal], at: datetime
) -> dict[int, Fed]:
    eaten = lots_eaten_on(session, [a.id for a in animals if a.id is not None], day)
    loaded = _lots(session, sorted({e.lot_id for each in eaten.values() for e in each}))
    contents = contents_of(session, view, list(loaded.values()), at=at)
    tested = thiaminase_found(session, list(loaded), on=view.day_of(at))
    fish = {
        lot_id: _food(lot.species_code, contents[lot_id], lot.code, tested.get(lot_id))
        for lot_id, lot in loaded.items()
    }
    return {
        animal_id: Fed([fish[e.lot_id].of(e.eaten_g) for e in each])
        for animal_id, each in eaten.items()
    }


def _food(
    species: str,
    content: Mapping[str, Held],
    lot: str | None = None,
    tested: tuple[date, bool] | None = None,
) -> Food:
    water = content.get("WATER")
    share = (water.value if water else default_content(species)["WATER"]) / 100
    thiaminase, _ = thiaminase_of(species, tested)
    return Food(species, 1000, share, content, lot, thiaminase)
