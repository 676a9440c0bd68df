"""What animals and groups ate, from the sums that are kept by day and lot."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache, lru_cache
from math import nan
from typing import Any

from sqlalchemy import Date, Dialect, Select, bindparam, cast, func
from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, col

from service.assays.models import Assay, AssayValue, AssayWithdrawal
from service.catalogue.rules import default_content
from service.database import Plain, StraightSelect
from service.diets.rules.energy import assayed_energy, usual_energy
from service.feeding.models import AnimalIntake, Feed, GroupIntake, IntakeSums
from service.feeding.rules import LASTING, Grain, Outcome
from service.ledger.models import Movement
from service.lots.models import Lot


@dataclass(frozen=True)
class LotEaten:
    """What an animal ate of one lot on a day, its shares of group feeds too."""

    lot_id: int
    lot: str
    species: str
    eaten_g: int


def lots_eaten_on(
    session: Session, animal_ids: Collection[int], day: date
) -> dict[int, list[LotEaten]]:
    """What animals ate on a civil day of their site, by animal and lot. One query."""
    statement = (
        columns(
            col(AnimalIntake.animal_id),
            col(AnimalIntake.lot_id),
            col(Lot.code),
            col(Lot.species_code),
            col(AnimalIntake.eaten_g),
        )
        .join(Lot, col(Lot.id) == col(AnimalIntake.lot_id))
        .where(
            col(AnimalIntake.animal_id).in_(animal_ids),
            col(AnimalIntake.day) == day,
            col(AnimalIntake.eaten_g) > 0,
        )
        .order_by(col(AnimalIntake.animal_id), col(AnimalIntake.lot_id))
    )
    found: dict[int, list[LotEaten]] = {}
    for animal_id, *eaten in session.execute(statement):
        found.setdefault(animal_id, []).append(LotEaten(*eaten))
    return found


def sums(
    session: Session,
    first: date,
    last: date,
    grain: Grain,
    *,
    animal_id: int | None,
    group_id: int | None,
) -> list[Plain]:
    """First day of a step, lot, feeds, and grams offered, eaten, left, cold, lost, estimated.

    Of an animal, else of a group; days included. One query; cost grows with days, not with
    their feeds.
    """
    select = _sums_select(animal_id is not None, grain, session.get_bind().dialect)
    eater = animal_id if animal_id is not None else group_id
    return select.rows(session.connection(), {"eater": eater, "first": first, "last": last})


@lru_cache(maxsize=16)
def _sums_select(of_animal: bool, grain: Grain, dialect: Dialect) -> StraightSelect:
    table = AnimalIntake if of_animal else GroupIntake
    eater = col(AnimalIntake.animal_id) if of_animal else col(GroupIntake.group_id)
    begin = _begin(col(table.day), grain, dialect)
    statement: Select[Any] = (
        columns(begin, col(table.lot_id))
        .add_columns(*(func.sum(column) for column in _summed(table)))
        .where(
            eater == bindparam("eater"),
            col(table.day) >= bindparam("first"),
            col(table.day) <= bindparam("last"),
            col(table.offered_g) > 0,
        )
        .group_by(begin, col(table.lot_id))
        .order_by(begin, col(table.lot_id))
    )
    return StraightSelect(statement, dialect)


def _summed(table: type[IntakeSums]) -> tuple[Any, ...]:
    return (
        col(table.feeds),
        col(table.offered_g),
        col(table.eaten_g),
        col(table.left_g),
        col(table.cold_g),
        col(table.lost_g),
        col(table.estimated_g),
    )


def _begin(day: Any, grain: Grain, dialect: Dialect) -> Any:
    """The first day of the step of a day, as `rules.step_of`."""
    if grain is Grain.DAY:
        return day
    if dialect.name != "sqlite":
        return cast(func.date_trunc(grain.value, day), Date)
    if grain is Grain.WEEK:
        return func.date(day, "weekday 0", "-6 days", type_=Date)
    return func.date(day, "start of month", type_=Date)


def without_eating(
    session: Session, first: date, last: date, *, animal_id: int | None, group_id: int | None
) -> Sequence[tuple[date, Outcome, int]]:
    """How many feeds that stand were refused or not offered, by day. One query."""
    undo = aliased(Movement)
    eater = (
        col(Feed.animal_id) == animal_id
        if animal_id is not None
        else col(Feed.group_id) == group_id
    )
    statement = (
        columns(col(Feed.day), col(Feed.outcome), func.count(col(Feed.id)))
        .outerjoin(undo, col(undo.reverses_id) == col(Feed.movement_id))
        .where(
            eater,
            col(Feed.outcome) != Outcome.EATEN,
            col(Feed.day) >= first,
            col(Feed.day) <= last,
            col(undo.id).is_(None),
        )
        .group_by(col(Feed.day), col(Feed.outcome))
    )
    return [(day, Outcome(said), int(n)) for day, said, n in session.execute(statement)]


@dataclass(frozen=True)
class Fish:
    """A lot that was eaten of, and what it holds: kcal/kg, and what of `LASTING` in service
    units, in that order; nan where nobody knows."""

    code: str
    species: str
    kcal_per_kg: float
    content: tuple[float, ...]


def fish_of(session: Session, lot_ids: Collection[int]) -> dict[int, Fish]:
    """These lots with what they hold: newest counted assay, else as usual of their species.

    Two queries.
    """
    ids = list(set(lot_ids))
    if not ids:
        return {}
    statement = columns(col(Lot.id), col(Lot.code), col(Lot.species_code))
    assayed = _assayed(session, ids)
    return {
        lot_id: Fish(code, species, *_holds(species, assayed.get(lot_id)))
        for lot_id, code, species in session.execute(statement.where(col(Lot.id).in_(ids)))
    }


def _holds(species: str, measured: dict[str, float] | None) -> tuple[float, tuple[float, ...]]:
    if measured is None:
        return _usually_holds(species)
    energy = assayed_energy(species, measured)
    content = {**default_content(species), **measured}
    return (
        usual_energy(species).kcal_per_kg if energy is None else energy,
        tuple(content.get(tag, nan) for tag in LASTING),
    )


@cache
def _usually_holds(species: str) -> tuple[float, tuple[float, ...]]:
    return _holds(species, {})


def _assayed(session: Session, lot_ids: Sequence[int]) -> dict[int, dict[str, float]]:
    """Per lot the newest counted result of each nutrient, whole before fillet."""
    statement = (
        columns(col(Assay.lot_id), col(AssayValue.nutrient), col(AssayValue.as_fed))
        .join(AssayValue, col(AssayValue.assay_id) == col(Assay.id))
        .outerjoin(AssayWithdrawal, col(AssayWithdrawal.assay_id) == col(Assay.id))
        .where(col(Assay.lot_id).in_(lot_ids), col(AssayWithdrawal.assay_id).is_(None))
        .order_by((col(Assay.portion) == "whole"), col(Assay.sampled_on), col(Assay.id))
    )
    found: dict[int, dict[str, float]] = {}
    for lot_id, nutrient, as_fed in session.execute(statement):
        found.setdefault(lot_id, {})[nutrient] = as_fed
    return found
