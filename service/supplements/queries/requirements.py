"""Every select of requirements."""

from collections.abc import Sequence
from datetime import date

from sqlmodel import Session, col, or_, select

from service.animals.models import Animal
from service.catalogue.rules import Basis
from service.errors import NotFound
from service.security.actor import Actor
from service.site.models import Site
from service.supplements.models import Requirement
from service.supplements.rules import LimitOn, Mode, Per, Scope
from service.supplements.rules.requirements import Wanted


def requirements_on(session: Session, site_id: int, day: date) -> "Requirements":
    """What a site has set and has in force on a day, for any of its animals. One query."""
    statement = (
        select(Requirement)
        .where(
            col(Requirement.site_id) == site_id,
            col(Requirement.from_day) <= day,
            or_(col(Requirement.until_day).is_(None), col(Requirement.until_day) >= day),
        )
        .order_by(col(Requirement.id))
    )
    return Requirements(session.exec(statement).all())


class Requirements:
    """What is in force on a day, sorted by whom it is for."""

    def __init__(self, rows: Sequence[Requirement]) -> None:
        self.rows = rows
        self._of_site: list[Wanted] = []
        self._of_group: dict[str | None, list[Wanted]] = {}
        self._of_animal: dict[int | None, list[Wanted]] = {}
        for row in rows:
            self._scope(row).append(wanted(row))

    def _scope(self, row: Requirement) -> list[Wanted]:
        if row.scope == Scope.SITE:
            return self._of_site
        if row.scope == Scope.GROUP:
            return self._of_group.setdefault(row.group_name, [])
        return self._of_animal.setdefault(row.animal_id, [])

    def reaching(self, animal: Animal) -> tuple[Wanted, ...]:
        """Those that an animal is in the scope of, the wider ones first."""
        return (
            *self._of_site,
            *self._of_group.get(animal.group_name, ()),
            *self._of_animal.get(animal.id, ()),
        )


def wanted(row: Requirement) -> Wanted:
    """A stored requirement as the rules see it."""
    return Wanted(
        nutrient=row.nutrient,
        amount=row.amount,
        basis=Basis(row.basis),
        mode=Mode(row.mode),
        per=Per(row.per),
        scope=Scope(row.scope),
        source=row.source,
        cap_per_day=row.cap_per_day,
        limit=row.limit_per_day,
        limit_on=LimitOn(row.limit_on),
        number=row.id or 0,
        species=row.species_code,
    )


def of_equal_rank(session: Session, new: Requirement) -> Sequence[Requirement]:
    """Stored requirements that nothing would decide between and this one. One query."""
    same = (
        "site_id", "scope", "group_name", "animal_id", "species_code", "nutrient", "mode", "per",
    )  # fmt: skip
    statement = select(Requirement).where(
        *(getattr(Requirement, name).is_not_distinct_from(getattr(new, name)) for name in same),
        or_(col(Requirement.until_day).is_(None), col(Requirement.until_day) >= new.from_day),
    )
    if new.until_day is not None:
        statement = statement.where(col(Requirement.from_day) <= new.until_day)
    return session.exec(statement.order_by(col(Requirement.id))).all()


def requirements(
    session: Session, site_ids: Sequence[int]
) -> Sequence[tuple[Requirement, str, str | None]]:
    """What these sites have set, by number, with the codes of site and animal. One query."""
    statement = (
        select(Requirement, Site.code, Animal.code)
        .join(Site, col(Site.id) == col(Requirement.site_id))
        .outerjoin(Animal, col(Animal.id) == col(Requirement.animal_id))
        .where(col(Requirement.site_id).in_(site_ids))
        .order_by(col(Requirement.id))
    )
    return session.exec(statement).all()


def requirement_by_id(
    session: Session, number: int, *, by: Actor, field: str = "requirement"
) -> Requirement:
    """The requirement of this number. Raises NotFound, NotAllowed at somebody else's site."""
    statement = select(Requirement).where(col(Requirement.id) == number).with_for_update()
    found = session.exec(statement).one_or_none()
    if found is None:
        raise NotFound.of("requirement", number, field)
    by.ensure_site(found.site_id)
    return found


def reach(row: Requirement, site: str, animal: str | None) -> str:
    """Whom a requirement is for, in words."""
    if animal is not None:
        return f"animal {animal}"
    return f"group {row.group_name}" if row.group_name else f"site {site}"


def reach_of(session: Session, row: Requirement) -> str:
    """Whom a requirement is for, in words. At most one query."""
    if row.animal_id is not None:
        return reach(row, "", session.get_one(Animal, row.animal_id).code)
    return reach(row, session.get_one(Site, row.site_id).code, None)
