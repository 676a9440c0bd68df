"""Setting up animals, weighing them, and their leaving."""

from datetime import datetime

from sqlmodel import Session, col, select

from service.animals import queries
from service.animals.models import Animal, AnimalWeight
from service.animals.schemas import AnimalIn, DepartureIn, WaterIn, WeightIn
from service.errors import Conflict, Invalid
from service.http.bodies import instant_of, refuse_future
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.rules import default_policy


def add_animal(session: Session, new: AnimalIn, *, at: datetime, by: Actor) -> Animal:
    """An animal. Raises Conflict if the code is taken, Invalid for a birth to come."""
    refuse_future(new.occurred_at, now=at, skew=default_policy().skew)
    site = sites.site_or_only(session, new.site, by=by)
    view = sites.view_of(session, site, at=at)
    if new.born_on is not None and new.born_on > view.day_of(at):
        raise Invalid.at("born_on", "lies in the future")
    if session.exec(select(Animal.id).where(col(Animal.code) == new.code)).first() is not None:
        raise Conflict.exists("animal", new.code)
    animal = Animal(
        site_id=view.id,
        code=new.code,
        name=new.name,
        taxon=new.taxon,
        group_name=new.group,
        sex=new.sex,
        born_on=new.born_on,
        water=new.water,
    )
    session.add(animal)
    session.flush()
    audit.note(session, by, "animal added", animal.code, at=at, site_id=view.id, after=new)
    return animal


def keep_in(session: Session, code: str, new: WaterIn, *, at: datetime, by: Actor) -> Animal:
    """An animal is kept in fresh or in sea water from now on. Raises NotFound."""
    refuse_future(new.occurred_at, now=at, skew=default_policy().skew)
    animal = queries.animal_by_code(session, code, by=by)
    was, animal.water = animal.water, new.water
    session.add(animal)
    session.flush()
    audit.note(
        session,
        by,
        "water changed",
        animal.code,
        at=at,
        site_id=animal.site_id,
        after=new,
        detail={"before": was},
    )
    return animal


def weigh(
    session: Session, code: str, weighing: WeightIn, *, at: datetime, by: Actor
) -> AnimalWeight:
    """A weighing of an animal. Raises NotFound, Invalid for an instant to come."""
    refuse_future(weighing.occurred_at, now=at)
    animal = queries.animal_by_code(session, code, by=by)
    view = sites.view(session, animal.site_id, at=at)
    assert animal.id is not None
    weight = AnimalWeight(
        animal_id=animal.id,
        grams=weighing.mass.grams,
        recorded_at=at,
        by=by.name,
        occurred_at=instant_of(weighing.occurred_at, now=at, skew=view.policy.skew),
    )
    session.add(weight)
    session.flush()
    audit.note(session, by, "animal weighed", animal.code, at=at, site_id=view.id, after=weight)
    return weight


def depart(session: Session, code: str, gone: DepartureIn, *, at: datetime, by: Actor) -> Animal:
    """An animal is not here any more: nothing is planned for it, its record stays.

    Raises NotFound, Conflict if it left before, Invalid for a day to come.
    """
    refuse_future(gone.occurred_at, now=at)
    animal = queries.animal_by_code(session, code, by=by)
    view = sites.view(session, animal.site_id, at=at)
    today = view.day_of(at)
    day = gone.gone_on or today
    if day > today:
        raise Invalid.at("gone_on", "lies in the future")
    if animal.gone_on is not None:
        raise Conflict(f"{animal.code} left on {animal.gone_on}", kind="already-gone")
    animal.gone_on, animal.gone_reason = day, gone.reason
    session.add(animal)
    _leave_groups(session, animal, view.start_of(day))
    session.flush()
    audit.note(session, by, "animal left", animal.code, at=at, site_id=view.id, after=gone)
    return animal


def _leave_groups(session: Session, animal: Animal, until: datetime) -> None:
    """Its stays end with its leaving; one that was only planned is no more."""
    for stay in queries.memberships_of(session, animal.id or 0):
        if stay.from_at >= until:
            session.delete(stay)
        elif stay.until_at is None or stay.until_at > until:
            stay.until_at = until
            session.add(stay)
