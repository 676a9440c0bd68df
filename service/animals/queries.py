"""Every select of animals, weights and diets."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime

from sqlmodel import Session, col, func, select

from service.animals.models import Animal, AnimalWeight, Diet, DietItem
from service.database import rows_where_in
from service.errors import NotFound
from service.security.actor import Actor


def animal_by_code(session: Session, code: str, *, by: Actor, field: str = "animal") -> Animal:
    """The animal of this code. Raises NotFound, and NotAllowed at somebody else's site."""
    found = session.execute(rows_where_in(Animal.code), {"keys": [code.upper()]})
    animal: Animal | None = found.scalar_one_or_none()
    if animal is None:
        raise NotFound.of("animal", code, field)
    by.ensure_site(animal.site_id)
    return animal


def animals(session: Session, *, by: Actor) -> list[Animal]:
    """The animals of the sites that somebody sees, by code. One query."""
    found = session.exec(select(Animal).order_by(col(Animal.code))).all()
    return [animal for animal in found if by.sees(animal.site_id)]


def body_mass_g(session: Session, animal_id: int, *, at: datetime) -> int | None:
    """The newest weight at an instant; None if never weighed. One query."""
    return session.exec(
        select(AnimalWeight.grams)
        .where(col(AnimalWeight.animal_id) == animal_id, col(AnimalWeight.occurred_at) <= at)
        .order_by(col(AnimalWeight.occurred_at).desc(), col(AnimalWeight.id).desc())
        .limit(1)
    ).first()


def diet_on(session: Session, animal_id: int, day: date) -> Diet | None:
    """The diet in force on a day: the latest `from`, then the latest recorded."""
    return session.exec(
        select(Diet)
        .where(col(Diet.animal_id) == animal_id, col(Diet.from_day) <= day)
        .order_by(col(Diet.from_day).desc(), col(Diet.id).desc())
        .limit(1)
    ).first()


def diet_grams(session: Session, animal_id: int, day: date) -> Mapping[str, int]:
    """Grams of each species that an animal's diet holds on a day; empty without one."""
    diet = diet_on(session, animal_id, day)
    if diet is None:
        return {}
    items = session.exec(select(DietItem).where(col(DietItem.diet_id) == diet.id)).all()
    return {item.species_code: item.grams for item in items}


def site_need_grams(session: Session, site_id: int, day: date) -> Sequence[tuple[str, int]]:
    """Grams of each species that a site's diets ask for on a day, by species. One query."""
    newest = (
        select(
            col(Diet.id).label("id"),
            func.row_number()
            .over(
                partition_by=col(Diet.animal_id),
                order_by=(col(Diet.from_day).desc(), col(Diet.id).desc()),
            )
            .label("place"),
        )
        .join(Animal, col(Animal.id) == col(Diet.animal_id))
        .where(col(Animal.site_id) == site_id, col(Diet.from_day) <= day)
        .subquery()
    )
    statement = (
        select(DietItem.species_code, func.sum(DietItem.grams))
        .join(newest, newest.c.id == col(DietItem.diet_id))
        .where(newest.c.place == 1)
        .group_by(col(DietItem.species_code))
        .order_by(col(DietItem.species_code))
    )
    return [(species, int(grams)) for species, grams in session.exec(statement)]
