"""What animals are to have added on a day, worked out; nothing is stored."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache

from sqlmodel import Session

from service.animals import queries as animals
from service.animals.models import Animal
from service.animals.rules import Water
from service.catalogue.rules import nutrients
from service.diets.queries.day_of_site import not_fed
from service.errors import Conflict
from service.science.dosing import Dose, Need, choose_pieces
from service.site.queries import SiteView
from service.supplements.queries.food import Fed, food_of
from service.supplements.queries.plans import offered
from service.supplements.queries.requirements import Requirements, requirements_on
from service.supplements.rules import PlanBasis
from service.supplements.rules.limits import with_published
from service.supplements.rules.needs import Line, lines
from service.supplements.rules.products import Product
from service.supplements.rules.requirements import EqualRank, Wanted, in_force, set_aside
from service.supplements.rules.suggestions import Suggestion, suggestions


@dataclass(frozen=True)
class Worked:
    """One animal's day, worked out: what a plan is written from."""

    animal: Animal
    day: date
    basis: PlanBasis
    fed: Fed
    body_mass_g: int | None
    wanted: Sequence[Wanted]
    lines: Sequence[Line]
    products: Sequence[Product]
    dose: Dose
    suggestions: Sequence[Suggestion]
    policy_version: int
    set_aside: Sequence[Wanted] = ()


@dataclass(frozen=True)
class Facts:
    """What days are worked out from: set at the site, in the cupboard, fed, weighed.

    reaching: the site's requirements that an animal is in the scope of. fed, masses_g: by
    animal id; who gets nothing, or was never weighed, is not there.
    """

    reaching: Callable[[Animal], Sequence[Wanted]]
    products: Sequence[Product]
    fed: Mapping[int, Fed]
    masses_g: Mapping[int, int]


@dataclass(frozen=True)
class WorkedOut:
    """The days of some animals, and for whom nothing could be worked out."""

    plans: Sequence[Worked]
    left_out: Sequence[tuple[Animal, Conflict]] = ()


def work_out(
    session: Session,
    view: SiteView,
    day: date,
    chosen: Sequence[Animal],
    basis: PlanBasis,
    *,
    at: datetime,
) -> WorkedOut:
    """What these animals of a site are to have added on a day; nothing is stored.

    Queries as `facts_of`; then one search for pieces for each animal.
    """
    facts = facts_of(session, view, day, chosen, basis, at=at)
    return work_out_by(facts, session, view, day, chosen, basis)


def facts_of(
    session: Session,
    view: SiteView,
    day: date,
    chosen: Sequence[Animal],
    basis: PlanBasis,
    *,
    at: datetime,
) -> Facts:
    """What the day of these animals of a site is worked out from.

    Four queries besides those of `food_of`, whatever the number of animals. What fish holds is
    as of now, for a day to come too.
    """
    return Facts(
        reaching=requirements_on(session, view.id, day).reaching,
        products=offered(session, view.id, day),
        fed=food_of(session, view, day, chosen, basis, at=at),
        masses_g=animals.body_masses_g(session, [a.id or 0 for a in chosen], at=at),
    )


def work_out_by(
    facts: Facts,
    session: Session,
    view: SiteView,
    day: date,
    chosen: Sequence[Animal],
    basis: PlanBasis,
) -> WorkedOut:
    """As `work_out`, by facts that are given: those of today, or changed to see what if."""
    plans: list[Worked] = []
    left_out: list[tuple[Animal, Conflict]] = []
    for animal in chosen:
        if animal.id not in facts.fed and basis is PlanBasis.DIET:
            left_out.append((animal, _nothing(session, view, animal, day)))
            continue
        try:
            plans.append(_worked(facts, view, animal, day, basis))
        except EqualRank as error:
            left_out.append((animal, equal_rank(error)))
        except ValueError as error:
            left_out.append((animal, _unweighed(error)))
    return WorkedOut(plans, left_out)


def _worked(facts: Facts, view: SiteView, animal: Animal, day: date, basis: PlanBasis) -> Worked:
    """Raises EqualRank, ValueError where the animal was never weighed and must be."""
    fed = facts.fed.get(animal.id or 0, Fed([]))
    body_mass_g = facts.masses_g.get(animal.id or 0)
    wanted, aside = applied(tuple(facts.reaching(animal)), animal.group_name, animal.taxon)
    needs = lines(wanted, fed.food, body_mass_g)
    dose = choose(needs, facts.products)
    water = Water(animal.water) if animal.water else None
    return Worked(
        animal=animal,
        day=day,
        basis=basis,
        fed=fed,
        body_mass_g=body_mass_g,
        wanted=wanted,
        lines=needs,
        products=facts.products,
        dose=dose,
        suggestions=list(suggestions(animal.group_name, water, wanted)),
        policy_version=view.policy_version,
        set_aside=aside,
    )


def limits_on(
    session: Session, view: SiteView, animal: Animal, day: date, basis: PlanBasis, *, at: datetime
) -> list[Line]:
    """What an animal may have added on a day, by what is in force now.

    Raises Conflict as a plan does, but for the want of a diet.
    """
    wanted = wanted_for(animal, requirements_on(session, view.id, day))
    fed = food_of(session, view, day, [animal], basis, at=at).get(animal.id or 0, Fed([]))
    masses = animals.body_masses_g(session, [animal.id or 0], at=at)
    try:
        return lines(wanted, fed.food, masses.get(animal.id or 0))
    except ValueError as error:
        raise _unweighed(error) from error


def wanted_for(animal: Animal, required: Requirements) -> Sequence[Wanted]:
    """What applies to an animal, with the published limit that is true of its species.

    Raises EqualRank.
    """
    return applied(required.reaching(animal), animal.group_name, animal.taxon)[0]


@lru_cache(maxsize=256)
def applied(
    reaching: tuple[Wanted, ...], group: str, taxon: str
) -> tuple[tuple[Wanted, ...], tuple[Wanted, ...]]:
    """What applies to animals of a kind, and what gives way to it; of a herd the same for all.

    Raises EqualRank.
    """
    wanted = with_published(in_force(reaching, group), taxon)
    return tuple(wanted), tuple(set_aside(reaching, group, wanted))


def choose(needs: Sequence[Line], products: Sequence[Product]) -> Dose:
    """The pieces for a day."""
    wanted = [
        Need(line.nutrient, line.add, line.room, nutrients()[line.nutrient].amount_unit)
        for line in needs
    ]
    return choose_pieces(wanted, [product.offer for product in products])


def _nothing(session: Session, view: SiteView, animal: Animal, day: date) -> Conflict:
    """Why an animal is to get no fish."""
    if animal.gone_on is not None and animal.gone_on <= day:
        why = f"{animal.code} is not here any more on {day}"
    elif animal.id in not_fed(session, view, day):
        why = f"{animal.code} fasts or is only nursed on {day}: no fish to put a supplement into"
    else:
        why = f"no diet of {animal.code} is in force on {day}, or it comes to nothing"
    return Conflict(why, kind="no-diet", advice="Set a diet first, or plan from feeds.")


def _unweighed(error: ValueError) -> Conflict:
    return Conflict(
        str(error),
        kind="no-body-mass",
        advice="Record the animal's weight, then plan again.",
    )


def equal_rank(error: EqualRank) -> Conflict:
    """The refusal that names both requirements."""
    return Conflict(
        str(error),
        kind="requirement-conflict",
        advice="End one of the two, or say in the new one which it replaces.",
        extra={"requirements": [w.number for w in (error.one, error.other) if w.number]},
    )
