"""Diets, substitutions and energies as they are kept."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any

from sqlalchemy import ColumnElement, Row, bindparam, true, union_all
from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
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


@dataclass(frozen=True)
class InForce:
    """A diet that counts on a day, as far as the day's ration needs it."""

    id: int
    from_day: date
    from_feed: int
    feeds_per_day: int
    feeds: Sequence[Mapping[str, Any]] | None
    season: Sequence[float] | None
    prescription: Prescription
    grades: Mapping[str, str | None]
    substitutes: Mapping[str, Sequence[str]]


def in_force_on(
    session: Session, site_id: int, day: date, *, eaters: Iterable[Eater] | None = None
) -> dict[Eater, list[InForce]]:
    """The diets that count on a day, by eater: the one it begins with, and those that begin in it.

    Of several from the same feed the latest recorded counts. Without animals that are gone.
    One query, whose work does not grow with older diets.
    """
    given = {"site": site_id, "day": day}
    if eaters is None:
        rows = session.execute(_in_force_select(), given)
    else:
        chosen = set(eaters)
        rows = session.execute(
            _in_force_select(chosen=True),
            given
            | {
                "animals": [animal for animal, _ in chosen if animal is not None],
                "groups": [group for _, group in chosen if group is not None],
            },
        )
    found: dict[Eater, dict[int, list[Row[Any]]]] = {}
    for row in rows:
        found.setdefault((row.animal_id, row.group_id), {}).setdefault(row.id, []).append(row)
    return {eater: [_in_force(items) for items in diets.values()] for eater, diets in found.items()}


def _in_force(items: Sequence[Row[Any]]) -> InForce:
    diet = items[0]
    lines = [
        Line(i.species_code, AmountBy(i.amount_by), i.amount, i.minimum_g, i.maximum_g)
        for i in items
    ]
    return InForce(
        diet.id,
        diet.from_day,
        diet.from_feed,
        diet.feeds_per_day,
        diet.feeds,
        diet.season,
        Prescription(
            lines,
            AmountsFor(diet.amounts_for),
            AmountBy(diet.total_by) if diet.total_by else None,
            diet.total,
        ),
        {i.species_code: i.size_grade for i in items},
        {i.species_code: i.substitutes for i in items},
    )


@lru_cache(maxsize=2)
def _in_force_select(*, chosen: bool = False) -> Any:
    """The select of `in_force_on`, built once: from each eater to its newest diet by an index."""
    day: Any = bindparam("day")
    here = or_(col(Animal.gone_on).is_(None), col(Animal.gone_on) > day)
    numbers = [
        part
        for table, column, counts in (
            (Animal, Diet.animal_id, here),
            (AnimalGroup, Diet.group_id, true()),
        )
        for part in _numbers(table, column, counts, day, chosen=chosen)
    ]
    return (
        columns(
            col(Diet.id),
            col(Diet.animal_id),
            col(Diet.group_id),
            col(Diet.from_day),
            col(Diet.from_feed),
            col(Diet.feeds_per_day),
            col(Diet.feeds),
            col(Diet.season),
            col(Diet.amounts_for),
            col(Diet.total_by),
            col(Diet.total),
            col(DietItem.species_code),
            col(DietItem.amount_by),
            col(DietItem.amount),
            col(DietItem.minimum_g),
            col(DietItem.maximum_g),
            col(DietItem.size_grade),
            col(DietItem.substitutes),
        )
        .join(DietItem, col(DietItem.diet_id) == col(Diet.id))
        .where(col(Diet.id).in_(union_all(*numbers)))
        .order_by(col(Diet.animal_id), col(Diet.group_id), col(Diet.id), col(DietItem.species_code))
    )


def _numbers(
    table: type[Animal] | type[AnimalGroup],
    column: Any,
    counts: ColumnElement[bool],
    day: Any,
    *,
    chosen: bool,
) -> Iterator[Any]:
    """The diet that each eater's day begins with, and those that begin at a later feed of it."""
    where = [col(table.site_id) == bindparam("site"), counts]
    if chosen:
        keys: Any = bindparam("animals" if table is Animal else "groups", expanding=True)
        where.append(col(table.id).in_(keys))
    older = aliased(Diet)
    newest = (
        columns(col(older.id))
        .where(
            getattr(older, column.key) == col(table.id),
            col(older.status) == DietStatus.APPROVED,
            or_(
                col(older.from_day) < day,
                and_(col(older.from_day) == day, col(older.from_feed) == 1),
            ),
        )
        .order_by(col(older.from_day).desc(), col(older.id).desc())
        .limit(1)
        .scalar_subquery()
    )
    yield columns(newest).where(*where)
    yield (
        columns(col(Diet.id))
        .join(table, column == col(table.id))
        .where(
            *where,
            col(Diet.status) == DietStatus.APPROVED,
            col(Diet.from_day) == day,
            col(Diet.from_feed) > 1,
        )
    )


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
