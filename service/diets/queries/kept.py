"""Diets, substitutions and energies as they are kept."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlmodel import Session, and_, col, func, or_, select

from service.animals.models import Animal, AnimalGroup
from service.database import rows_where_in
from service.diets.models import DayEnergy, DaySubstitution, Diet, DietItem
from service.diets.rules import AmountBy, AmountsFor, DietStatus
from service.diets.rules.amounts import Line, Prescription
from service.errors import NotFound
from service.security.actor import Actor

Eater = tuple[int | None, int | None]
"""The ids of an animal and of a group; one of them is None."""


@dataclass(frozen=True)
class Version:
    """A diet with what it holds."""

    diet: Diet
    items: Sequence[DietItem]

    @property
    def prescription(self) -> Prescription:
        """The diet as the arithmetic needs it."""
        return Prescription(
            [
                Line(i.species_code, AmountBy(i.amount_by), i.amount, i.minimum_g, i.maximum_g)
                for i in self.items
            ],
            AmountsFor(self.diet.amounts_for),
            AmountBy(self.diet.total_by) if self.diet.total_by else None,
            self.diet.total,
        )


def versions_on(
    session: Session, site_id: int, day: date, *, eaters: Iterable[Eater] | None = None
) -> dict[Eater, list[Version]]:
    """The diets that count on a day, by eater: the one it begins with, and those that begin in it.

    Of several from the same feed the latest recorded counts. Without animals that are gone.
    One query; it reads the older diets of these eaters.
    """
    counts = [col(Diet.status) == DietStatus.APPROVED, col(Diet.from_day) <= day]
    if eaters is not None:
        chosen = set(eaters)
        counts.append(
            or_(
                col(Diet.animal_id).in_({animal for animal, _ in chosen if animal is not None}),
                col(Diet.group_id).in_({group for _, group in chosen if group is not None}),
            )
        )
    newest = (
        select(
            col(Diet.id).label("id"),
            func.row_number()
            .over(
                partition_by=(col(Diet.animal_id), col(Diet.group_id)),
                order_by=(col(Diet.from_day).desc(), col(Diet.id).desc()),
            )
            .label("place"),
        )
        .where(*counts, or_(col(Diet.from_day) < day, col(Diet.from_feed) == 1))
        .subquery()
    )
    statement = (
        select(Diet, DietItem)
        .join(DietItem, col(DietItem.diet_id) == col(Diet.id))
        .outerjoin(newest, newest.c.id == col(Diet.id))
        .outerjoin(Animal, col(Animal.id) == col(Diet.animal_id))
        .outerjoin(AnimalGroup, col(AnimalGroup.id) == col(Diet.group_id))
        .where(
            *counts,
            or_(newest.c.place == 1, and_(col(Diet.from_day) == day, col(Diet.from_feed) > 1)),
            func.coalesce(col(Animal.site_id), col(AnimalGroup.site_id)) == site_id,
            or_(col(Animal.gone_on).is_(None), col(Animal.gone_on) > day),
        )
        .order_by(col(Diet.animal_id), col(Diet.group_id), col(Diet.id), col(DietItem.species_code))
    )
    found: dict[Eater, list[Version]] = {}
    for version in _versions(session.exec(statement)):
        diet = version.diet
        found.setdefault((diet.animal_id, diet.group_id), []).append(version)
    return found


def _versions(rows: Iterable[tuple[Diet, DietItem]]) -> list[Version]:
    items: dict[int, list[DietItem]] = {}
    diets: dict[int, Diet] = {}
    for diet, item in rows:
        assert diet.id is not None
        diets[diet.id] = diet
        items.setdefault(diet.id, []).append(item)
    return [Version(diet, items[id_]) for id_, diet in diets.items()]


def version_by_id(
    session: Session, number: int, *, by: Actor, lock: bool = False
) -> tuple[Version, Animal | AnimalGroup]:
    """A diet and whose it is. Raises NotFound, NotAllowed at somebody else's site."""
    statement = select(Diet).where(col(Diet.id) == number)
    diet = session.exec(statement.with_for_update() if lock else statement).one_or_none()
    if diet is None:
        raise NotFound.of("diet", number, "diet")
    eater = eater_of(session, diet)
    by.ensure_site(eater.site_id)
    return Version(diet, items_of(session, [number])[number]), eater


def eater_of(session: Session, of: Diet | DaySubstitution) -> Animal | AnimalGroup:
    """Whose a diet or a substitution is."""
    if of.animal_id is not None:
        return session.get_one(Animal, of.animal_id)
    return session.get_one(AnimalGroup, of.group_id)


def items_of(session: Session, diet_ids: Iterable[int]) -> dict[int, list[DietItem]]:
    """What these diets hold, by diet, in the order of species. One query."""
    found: dict[int, list[DietItem]] = {}
    rows = session.execute(rows_where_in(DietItem.diet_id), {"keys": list(set(diet_ids))})
    for item in sorted(rows.scalars(), key=lambda item: item.species_code):
        found.setdefault(item.diet_id, []).append(item)
    return found


def history(
    session: Session, eater: Animal | AnimalGroup, *, limit: int, before_id: int | None
) -> list[Version]:
    """The diets of an animal or a group, the latest recorded first. Two queries."""
    column = Diet.animal_id if isinstance(eater, Animal) else Diet.group_id
    statement = select(Diet).where(col(column) == eater.id).order_by(col(Diet.id).desc())
    if before_id is not None:
        statement = statement.where(col(Diet.id) < before_id)
    return _with_items(session, session.exec(statement.limit(limit)).all())


def proposals(
    session: Session, site_ids: Sequence[int]
) -> list[tuple[Version, Animal | AnimalGroup]]:
    """The diets that wait for somebody to decide, oldest first. Two queries."""
    statement: Any = (
        select(Diet, Animal, AnimalGroup)
        .outerjoin(Animal, col(Animal.id) == col(Diet.animal_id))
        .outerjoin(AnimalGroup, col(AnimalGroup.id) == col(Diet.group_id))
        .where(
            col(Diet.status) == DietStatus.PROPOSED,
            func.coalesce(col(Animal.site_id), col(AnimalGroup.site_id)).in_(site_ids),
        )
        .order_by(col(Diet.id))
    )
    rows = session.exec(statement).all()
    versions = _with_items(session, [diet for diet, _, _ in rows])
    return [(v, animal or group) for v, (_, animal, group) in zip(versions, rows, strict=True)]


def _with_items(session: Session, diets: Sequence[Diet]) -> list[Version]:
    items = items_of(session, [diet.id for diet in diets if diet.id is not None])
    return [Version(diet, items.get(diet.id or 0, [])) for diet in diets]


def substitutions_on(session: Session, site_id: int, day: date) -> Sequence[DaySubstitution]:
    """What stands in for what on a day, in the order of acceptance. One query."""
    statement = (
        select(DaySubstitution)
        .where(
            col(DaySubstitution.site_id) == site_id,
            col(DaySubstitution.day) == day,
            col(DaySubstitution.withdrawn_at).is_(None),
        )
        .order_by(col(DaySubstitution.id))
    )
    return session.exec(statement).all()


def substitutions(
    session: Session, site_ids: Sequence[int], day: date
) -> Sequence[tuple[DaySubstitution, Animal | None, AnimalGroup | None]]:
    """The substitutions of a day, withdrawn ones too, with whose they are. One query."""
    statement = (
        select(DaySubstitution, Animal, AnimalGroup)
        .outerjoin(Animal, col(Animal.id) == col(DaySubstitution.animal_id))
        .outerjoin(AnimalGroup, col(AnimalGroup.id) == col(DaySubstitution.group_id))
        .where(col(DaySubstitution.site_id).in_(site_ids), col(DaySubstitution.day) == day)
        .order_by(col(DaySubstitution.id))
    )
    return session.exec(statement).all()


def substitution_by_id(session: Session, number: int, *, by: Actor) -> DaySubstitution:
    """A substitution. Raises NotFound, NotAllowed at somebody else's site."""
    found = session.get(DaySubstitution, number)
    if found is None:
        raise NotFound.of("substitution", number, "substitution")
    by.ensure_site(found.site_id)
    return found


def settled_energies(session: Session, site_id: int, day: date) -> Sequence[DayEnergy]:
    """The energies that a day's rations go by, as far as they are settled. One query."""
    statement = select(DayEnergy).where(
        col(DayEnergy.site_id) == site_id, col(DayEnergy.day) == day
    )
    return session.exec(statement).all()
