"""Every select of animals, groups, weights, stages and fasts."""

from datetime import date, datetime

from sqlmodel import Session, col, or_, select

from service.animals.models import Animal, AnimalGroup, AnimalWeight, Fast, GroupMembership
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


def group_by_code(session: Session, code: str, *, by: Actor, field: str = "group") -> AnimalGroup:
    """The group of this code. Raises NotFound, and NotAllowed at somebody else's site."""
    found = session.exec(select(AnimalGroup).where(AnimalGroup.code == code.upper())).first()
    if found is None:
        raise NotFound.of("group", code, field)
    by.ensure_site(found.site_id)
    return found


def members(session: Session, group_id: int, *, at: datetime) -> list[Animal]:
    """The animals that were in a group at an instant, by code. One query."""
    statement = (
        select(Animal)
        .join(GroupMembership, col(GroupMembership.animal_id) == col(Animal.id))
        .where(
            col(GroupMembership.group_id) == group_id,
            col(GroupMembership.from_at) <= at,
            or_(col(GroupMembership.until_at).is_(None), col(GroupMembership.until_at) > at),
        )
        .order_by(col(Animal.code))
    )
    return list(session.exec(statement))


def fasts_on(session: Session, site_id: int, day: date) -> dict[int, Fast]:
    """Who of a site fasts on a day, by animal; of several the newest. One query."""
    statement = (
        select(Fast)
        .join(Animal, col(Animal.id) == col(Fast.animal_id))
        .where(
            col(Animal.site_id) == site_id,
            col(Fast.from_day) <= day,
            or_(col(Fast.until_day).is_(None), col(Fast.until_day) >= day),
        )
        .order_by(col(Fast.id))
    )
    return {fast.animal_id: fast for fast in session.exec(statement)}
