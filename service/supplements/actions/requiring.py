"""Setting requirements and ending them."""

from dataclasses import replace
from datetime import date, datetime, timedelta

from sqlmodel import Session

from service.animals import queries as animals
from service.animals.models import Animal
from service.catalogue.queries import species_by_code
from service.catalogue.rules import in_service_unit, mass_g
from service.errors import Conflict, Invalid
from service.quality.rules.content import PROXIMATES
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.supplements.actions.working import equal_rank
from service.supplements.models import Requirement
from service.supplements.queries.requirements import of_equal_rank, requirement_by_id, wanted
from service.supplements.rules import Per, Scope
from service.supplements.rules.requirements import EqualRank
from service.supplements.schemas import RequirementEndIn, RequirementIn

# The most grams of a nutrient that can be meant per kg of food, animal and day, or kg of body
# mass: more is a slip of the unit. Of vitamins and minerals a tenth of it [our default].
_MOST_G = {Per.KG_FOOD: 1000.0, Per.ANIMAL_DAY: 10_000.0, Per.KG_BODY_MASS: 200.0}


def set_requirement(
    session: Session, new: RequirementIn, *, at: datetime, by: Actor
) -> tuple[Requirement, str]:
    """A requirement of the site's own, from a day on.

    Raises NotFound; Invalid for a unit that does not fit; Conflict `requirement-conflict`
    where another of equal rank holds at the same time, naming both.
    """
    stored, shown = drafted(session, new, at=at, by=by)
    sites.lock_site(session, stored.site_id)
    if new.replaces is not None:
        _replace(session, new.replaces, stored, by)
    session.add(stored)
    session.flush()
    for other in of_equal_rank(session, stored):
        if other.id != stored.id:
            raise equal_rank(EqualRank(wanted(other), replace(wanted(stored), number=0)))
    audit.note(
        session,
        by,
        "requirement set",
        f"{new.nutrient} for {shown}",
        at=at,
        site_id=stored.site_id,
        after=new,
    )
    return stored, shown


def drafted(
    session: Session, new: RequirementIn, *, at: datetime, by: Actor
) -> tuple[Requirement, str]:
    """A requirement as it would be stored, and whom it is for in words; nothing is stored.

    Raises NotFound; Invalid for a unit that does not fit or days that end before they begin.
    """
    site_id, animal, shown = _reach(session, new, by)
    happened = sites.happened_at(session, site_id, new.occurred_at, now=at)
    from_day = new.from_ or sites.view(session, site_id, at=at).day_of(happened)
    if new.until is not None and new.until < from_day:
        raise Invalid.at("until", "lies before the first day")
    if new.species is not None:
        species_by_code(session, new.species, field="species")
    drawn_up = Requirement(
        site_id=site_id,
        nutrient=new.nutrient,
        basis=new.basis,
        mode=new.mode,
        per=new.per,
        scope=Scope.ANIMAL if animal else Scope.GROUP if new.applies_to.group else Scope.SITE,
        group_name=new.applies_to.group,
        animal_id=animal.id if animal else None,
        species_code=new.species,
        amount=_sane(new, _converted(new, new.amount, "unit")),
        limit_on=new.limit_on,
        source=new.source,
        cap_per_day=_optional(new, new.cap_per_day),
        limit_per_day=_optional(new, new.limit),
        from_day=from_day,
        until_day=new.until,
        recorded_at=at,
        by=by.name,
    )
    return drawn_up, shown


def end_requirement(
    session: Session, number: int, end: RequirementEndIn, *, at: datetime, by: Actor
) -> Requirement:
    """A requirement holds until a day and not longer. Raises NotFound, Conflict, Invalid."""
    stored = requirement_by_id(session, number, by=by)
    happened = sites.happened_at(session, stored.site_id, end.occurred_at, now=at)
    today = sites.view(session, stored.site_id, at=at).day_of(happened)
    _end(stored, end.until or today - timedelta(days=1), end.reason, by)
    session.add(stored)
    session.flush()
    audit.note(
        session,
        by,
        "requirement ended",
        number,
        at=at,
        site_id=stored.site_id,
        after=end,
        detail={"until": str(stored.until_day)},
    )
    return stored


def _replace(session: Session, number: int, new: Requirement, by: Actor) -> None:
    old = requirement_by_id(session, number, by=by, field="replaces")
    if old.site_id != new.site_id or old.nutrient != new.nutrient:
        raise Invalid.at("replaces", f"requirement {number} is of another site or nutrient")
    _end(old, new.from_day - timedelta(days=1), "replaced", by)
    session.add(old)
    session.flush()


def _end(stored: Requirement, until: date, reason: str, by: Actor) -> None:
    if stored.until_day is not None and stored.until_day <= until:
        raise Conflict(
            f"requirement {stored.id} holds until {stored.until_day} only", kind="already-ended"
        )
    # The day before it begins: it has never held.
    stored.until_day = max(until, stored.from_day - timedelta(days=1))
    stored.ended_reason, stored.ended_by = reason, by.name


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
    if "/" in new.unit:
        raise Invalid.at(
            field, f"write {new.unit.split('/')[0]!r}: what it is per is said by `per`"
        )
    try:
        return in_service_unit(new.nutrient, amount, new.unit)
    except ValueError as error:
        raise Invalid.at(field, str(error)) from error


def _sane(new: RequirementIn, amount: float) -> float:
    """The amount. Raises Invalid for one that nobody can mean."""
    most = _MOST_G[new.per] * (1.0 if new.nutrient in PROXIMATES else 0.1)
    grams = mass_g(new.nutrient, amount)
    if grams > most:
        raise Invalid.at(
            "amount",
            f"{new.amount:g} {new.unit} would weigh {grams:.4g} g {_PER_WORDS[new.per]}: "
            f"more than {most:g} g cannot be meant; check the unit",
        )
    return amount


_PER_WORDS = {
    Per.KG_FOOD: "in a kilogram of food",
    Per.ANIMAL_DAY: "a day",
    Per.KG_BODY_MASS: "for a kilogram of body mass",
}


def _optional(new: RequirementIn, amount: float | None) -> float | None:
    return None if amount is None else _converted(new, amount, "unit")
