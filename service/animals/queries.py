"""Every select of animals, groups, weights, stages and fasts."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import ColumnElement, bindparam
from sqlalchemy import select as columns
from sqlmodel import Session, col, func, or_, select

from service.animals.models import (
    Animal,
    AnimalGroup,
    AnimalWeight,
    Fast,
    GroupMembership,
    LifeStage,
)
from service.animals.rules import Stage
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


def present(session: Session, site_id: int, on: date) -> Sequence[Animal]:
    """The animals of a site that are here on a day, by code. One query."""
    statement = (
        select(Animal)
        .where(
            col(Animal.site_id) == site_id,
            or_(col(Animal.gone_on).is_(None), col(Animal.gone_on) > on),
        )
        .order_by(col(Animal.code))
    )
    return session.exec(statement).all()


def body_mass_g(session: Session, animal_id: int, *, at: datetime) -> int | None:
    """The newest weight at an instant; None if never weighed. One query."""
    return session.exec(
        select(AnimalWeight.grams)
        .where(col(AnimalWeight.animal_id) == animal_id, col(AnimalWeight.occurred_at) <= at)
        .order_by(col(AnimalWeight.occurred_at).desc(), col(AnimalWeight.id).desc())
        .limit(1)
    ).first()


def body_masses_g(
    session: Session, animal_ids: Iterable[int], *, at: datetime
) -> Mapping[int, int]:
    """What each animal weighed last before an instant, else first after it. One query.

    An animal that was never weighed is not there.
    """
    found = session.execute(_masses_select(), {"animals": list(set(animal_ids)), "at": at})
    return {row.id: row.grams for row in found if row.grams is not None}


@lru_cache(maxsize=1)
def _masses_select() -> Any:
    """The select of `body_masses_g`, built once: one look-up by an index for each animal."""
    at: Any = bindparam("at")
    of_animal = select(AnimalWeight.grams).where(col(AnimalWeight.animal_id) == col(Animal.id))
    when, number = col(AnimalWeight.occurred_at), col(AnimalWeight.id)
    last = of_animal.where(when <= at).order_by(when.desc(), number.desc()).limit(1)
    first = of_animal.where(when > at).order_by(when, number).limit(1)
    grams = func.coalesce(last.scalar_subquery(), first.scalar_subquery()).label("grams")
    chosen: Any = bindparam("animals", expanding=True)
    return columns(col(Animal.id), grams).where(col(Animal.id).in_(chosen))


def weights(
    session: Session, animal_id: int, *, limit: int, before: tuple[datetime, int] | None
) -> Sequence[AnimalWeight]:
    """The newest weighings of an animal. One query."""
    statement = (
        select(AnimalWeight)
        .where(col(AnimalWeight.animal_id) == animal_id)
        .order_by(col(AnimalWeight.occurred_at).desc(), col(AnimalWeight.id).desc())
        .limit(limit)
    )
    if before is not None:
        at, id_ = before
        statement = statement.where(
            or_(
                col(AnimalWeight.occurred_at) < at,
                (col(AnimalWeight.occurred_at) == at) & (col(AnimalWeight.id) < id_),
            )
        )
    return session.exec(statement).all()


def group_by_code(session: Session, code: str, *, by: Actor, field: str = "group") -> AnimalGroup:
    """The group of this code. Raises NotFound, and NotAllowed at somebody else's site."""
    found = session.exec(select(AnimalGroup).where(AnimalGroup.code == code.upper())).first()
    if found is None:
        raise NotFound.of("group", code, field)
    by.ensure_site(found.site_id)
    return found


def groups(session: Session, *, by: Actor) -> list[AnimalGroup]:
    """The groups of the sites that somebody sees, by code. One query."""
    found = session.exec(select(AnimalGroup).order_by(col(AnimalGroup.code)))
    return [group for group in found if by.sees(group.site_id)]


def members(session: Session, group_id: int, *, at: datetime) -> list[Animal]:
    """The animals that were in a group at an instant, by code. One query."""
    return [animal for animal, _ in stays_in(session, group_id, at=at)]


def stays_in(
    session: Session, group_id: int, *, at: datetime
) -> Sequence[tuple[Animal, GroupMembership]]:
    """Who was in a group at an instant, by code, and where it waits. One query."""
    statement = (
        select(Animal, GroupMembership)
        .join(GroupMembership, col(GroupMembership.animal_id) == col(Animal.id))
        .where(col(GroupMembership.group_id) == group_id, *_holds(at, at))
        .order_by(col(Animal.code))
    )
    return session.exec(statement).all()


def memberships_between(
    session: Session, site_id: int, from_at: datetime, until_at: datetime
) -> Sequence[GroupMembership]:
    """Who was in which group of a site at any time between two instants. One query."""
    statement = (
        select(GroupMembership)
        .join(AnimalGroup, col(AnimalGroup.id) == col(GroupMembership.group_id))
        .where(col(AnimalGroup.site_id) == site_id, *_holds(from_at, until_at))
    )
    return session.exec(statement).all()


def memberships_of(session: Session, animal_id: int) -> Sequence[GroupMembership]:
    """The groups that an animal was, is and will be in, oldest first. One query."""
    statement = (
        select(GroupMembership)
        .where(col(GroupMembership.animal_id) == animal_id)
        .order_by(col(GroupMembership.from_at), col(GroupMembership.id))
    )
    return session.exec(statement).all()


def _holds(from_at: datetime, until_at: datetime) -> tuple[ColumnElement[bool], ...]:
    return (
        col(GroupMembership.from_at) <= until_at,
        or_(col(GroupMembership.until_at).is_(None), col(GroupMembership.until_at) > from_at),
    )


def membership_by_id(
    session: Session, number: int, *, by: Actor
) -> tuple[GroupMembership, AnimalGroup, Animal]:
    """A membership. Raises NotFound, NotAllowed at somebody else's site. One query."""
    statement = (
        select(GroupMembership, AnimalGroup, Animal)
        .join(AnimalGroup, col(AnimalGroup.id) == col(GroupMembership.group_id))
        .join(Animal, col(Animal.id) == col(GroupMembership.animal_id))
        .where(col(GroupMembership.id) == number)
    )
    found = session.exec(statement).one_or_none()
    if found is None:
        raise NotFound.of("membership", number, "membership")
    by.ensure_site(found[1].site_id)
    return found


def stages_of(session: Session, animal_id: int) -> Sequence[LifeStage]:
    """The stages of an animal's life, newest first, withdrawn ones too. One query."""
    statement = (
        select(LifeStage)
        .where(col(LifeStage.animal_id) == animal_id)
        .order_by(col(LifeStage.from_day).desc(), col(LifeStage.id).desc())
    )
    return session.exec(statement).all()


def stages_on(session: Session, site_id: int, day: date) -> dict[int, set[Stage]]:
    """Which stages the animals of a site are in on a day, by animal. One query."""
    statement = (
        select(LifeStage)
        .join(Animal, col(Animal.id) == col(LifeStage.animal_id))
        .where(col(Animal.site_id) == site_id, *_on(LifeStage, day))
    )
    found: dict[int, set[Stage]] = {}
    for stage in session.exec(statement):
        found.setdefault(stage.animal_id, set()).add(Stage(stage.stage))
    return found


def stage_by_id(session: Session, number: int, *, by: Actor) -> tuple[LifeStage, Animal]:
    """A stage and its animal. Raises NotFound, NotAllowed at somebody else's site."""
    statement = (
        select(LifeStage, Animal)
        .join(Animal, col(Animal.id) == col(LifeStage.animal_id))
        .where(col(LifeStage.id) == number)
    )
    found = session.exec(statement).one_or_none()
    if found is None:
        raise NotFound.of("life stage", number, "stage")
    by.ensure_site(found[1].site_id)
    return found


def fasts_of(session: Session, animal_id: int) -> Sequence[Fast]:
    """The fasts of an animal, newest first, withdrawn ones too. One query."""
    statement = (
        select(Fast)
        .where(col(Fast.animal_id) == animal_id)
        .order_by(col(Fast.from_day).desc(), col(Fast.id).desc())
    )
    return session.exec(statement).all()


def fasts_on(session: Session, site_id: int, day: date) -> dict[int, Fast]:
    """Who of a site fasts on a day, by animal; of several the newest. One query."""
    statement = (
        select(Fast)
        .join(Animal, col(Animal.id) == col(Fast.animal_id))
        .where(col(Animal.site_id) == site_id, *_on(Fast, day))
        .order_by(col(Fast.id))
    )
    return {fast.animal_id: fast for fast in session.exec(statement)}


def fast_by_id(session: Session, number: int, *, by: Actor) -> tuple[Fast, Animal]:
    """A fast and its animal. Raises NotFound, NotAllowed at somebody else's site."""
    statement = (
        select(Fast, Animal)
        .join(Animal, col(Animal.id) == col(Fast.animal_id))
        .where(col(Fast.id) == number)
    )
    found = session.exec(statement).one_or_none()
    if found is None:
        raise NotFound.of("fast", number, "fast")
    by.ensure_site(found[1].site_id)
    return found


def _on(table: type[Fast] | type[LifeStage], day: date) -> tuple[ColumnElement[bool], ...]:
    return (
        col(table.from_day) <= day,
        or_(col(table.until_day).is_(None), col(table.until_day) >= day),
        col(table.withdrawn_at).is_(None),
    )


def codes_of(
    session: Session, eaters: Iterable[tuple[int | None, int | None]]
) -> dict[tuple[int | None, int | None], tuple[str | None, str | None]]:
    """The codes of animals and groups by (animal, group), one of which is None. Two queries."""
    chosen = set(eaters)
    animals_ = {animal for animal, _ in chosen if animal is not None}
    groups_ = {group for _, group in chosen if group is not None}
    names: dict[tuple[int | None, int | None], tuple[str | None, str | None]] = {}
    for animal in session.execute(rows_where_in(Animal.id), {"keys": list(animals_)}).scalars():
        names[animal.id, None] = (animal.code, None)
    for group in session.execute(rows_where_in(AnimalGroup.id), {"keys": list(groups_)}).scalars():
        names[None, group.id] = (None, group.code)
    return names
