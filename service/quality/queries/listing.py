"""Lots with their stock: the hot reads. One select each, whatever the history."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import (
    ColumnElement,
    Connection,
    Date,
    Dialect,
    Integer,
    Row,
    bindparam,
    func,
    literal,
    tuple_,
    type_coerce,
)
from sqlalchemy import select as columns
from sqlalchemy.types import NULLTYPE, TypeEngine
from sqlmodel import col

from service.catalogue.models import Product, Supplier
from service.database import Plain, StraightSelect
from service.ledger.models import Parcel
from service.ledger.queries import is_held
from service.lots.models import Hold, Lot
from service.lots.rules import LotStatus
from service.quantities import MassUnit, TemperatureUnit, Units
from service.security.actor import Actor
from service.site.models import Place, Site

NO_DATE = date(9999, 12, 31)


def _on_hand() -> ColumnElement[int]:
    total = columns(func.coalesce(func.sum(col(Parcel.grams)), 0))
    return total.where(col(Parcel.lot_id) == col(Lot.id)).correlate(Lot).scalar_subquery()


def _as_stored(value: Any) -> ColumnElement[Any]:
    """What is not made into a Python type: a date that is only shown, which SQLite holds as it
    is written, and a yes or no that is only asked, which it holds as 1 or 0."""
    return type_coerce(value, NULLTYPE)


class _ShownInstant(TypeEngine[Any]):
    """An instant that is only shown: SQLite's text of it is rewritten, not parsed.

    A page of fifty costs a tenth less.
    """

    def result_processor(self, dialect: Dialect, _coltype: object) -> Callable[[Any], Any]:
        """How a value of the driver is shown."""
        return _rewritten if dialect.name == "sqlite" else _in_utc


def _rewritten(stored: str) -> str:
    """`2026-11-02 12:00:00.000000` as `2026-11-02T12:00:00Z`."""
    return stored.replace(" ", "T").removesuffix(".000000") + "Z"


def _in_utc(stored: datetime) -> datetime:
    """PostgreSQL answers in the zone of its session."""
    return stored.astimezone(UTC)


_SHOWN, _AGE = 22, 17  # columns of the select that `lot_row` unpacks; the one age counts from


@lru_cache(maxsize=1)
def _lots() -> Any:
    """The select of lots, its columns in the order in which `lot_row` unpacks them."""
    return (
        columns(
            col(Lot.code),
            col(Lot.species_code),
            col(Product.code),
            col(Supplier.code),
            col(Lot.supplier_lot),
            col(Lot.part),
            col(Lot.form),
            col(Lot.size_grade),
            col(Lot.received_as),
            _as_stored(col(Lot.caught_from)),
            _as_stored(col(Lot.caught_to)),
            _as_stored(col(Lot.frozen_on)),
            _as_stored(col(Lot.best_before)),
            type_coerce(col(Lot.arrived_at), _ShownInstant()),
            col(Lot.cartons),
            col(Lot.grams),
            _on_hand(),
            col(Lot.age_from),
            _as_stored(col(Lot.rejected_at).is_not(None)),
            _as_stored(is_held()),
            col(Site.timezone),
            col(Site.mass_unit),
            # From here on for the page and the right to see it, not shown.
            col(Lot.id),
            col(Lot.site_id),
        )
        .join(Product, col(Product.id) == col(Lot.product_id))
        .join(Supplier, col(Supplier.id) == col(Product.supplier_id))
        .join(Site, col(Site.id) == col(Lot.site_id))
    )


@dataclass(frozen=True)
class OneLot:
    """A lot as `lot_row` shows it, and what of it is where."""

    row: Plain
    lot_id: int
    site_id: int
    has_holds: bool
    places: list[dict[str, Any]]


def one_lot(connection: Connection, code: str) -> OneLot | None:
    """The lot of this code with its fields of `PlaceStock`. One select by key."""
    rows = _one_lot(connection.dialect).rows(connection, {"code": code.upper()})
    if not rows:
        return None
    lot_id, site_id, has_holds, _, _ = rows[0][_SHOWN:]
    units = units_of(rows[0][_SHOWN - 1])
    places = [
        {"place": place, "mass": mass_shown(units, int(grams))}
        for *_, place, grams in rows
        if place is not None
    ]
    return OneLot(rows[0], lot_id, site_id, has_holds, places)


@lru_cache(maxsize=8)
def _one_lot(dialect: Dialect) -> StraightSelect:
    """A row for each place that a lot is in."""
    any_hold = columns(literal(1)).where(col(Hold.lot_id) == col(Lot.id)).correlate(Lot).exists()
    statement = (
        _lots()
        .add_columns(any_hold, col(Place.code), func.sum(col(Parcel.grams)))
        .outerjoin(Parcel, (col(Parcel.lot_id) == col(Lot.id)) & (col(Parcel.grams) > 0))
        .outerjoin(Place, col(Place.id) == col(Parcel.place_id))
        .where(col(Lot.code) == bindparam("code"))
        .group_by(col(Lot.id), col(Product.code), col(Supplier.code), col(Site.id), col(Place.code))
        .order_by(col(Place.code))
    )
    return StraightSelect(statement, dialect)


def holds_of(connection: Connection, lot_id: int) -> Sequence[Row[Any]]:
    """The holds of a lot, oldest first. One select."""
    rows: Sequence[Row[Any]] = connection.execute(_holds(), {"lot_id": lot_id}).all()
    return rows


@lru_cache(maxsize=1)
def _holds() -> Any:
    return (
        columns(
            col(Hold.id),
            col(Hold.reason),
            col(Hold.placed_at),
            col(Hold.placed_by),
            col(Hold.released_at),
        )
        .where(col(Hold.lot_id) == bindparam("lot_id"))
        .order_by(col(Hold.id))
    )


def page(
    connection: Connection,
    *,
    by: Actor,
    species: str | None,
    use_first: bool,
    limit: int,
    after: tuple[date, int] | int | None,
) -> list[Plain]:
    """Lots by number, or in the order of use: then without used-up and rejected ones.

    One select; it reads the rows of the page, by index.
    """
    after_age, after_id = after if isinstance(after, tuple) else (NO_DATE, after)
    select = _page(
        connection.dialect, use_first, by.sites is not None, species is not None, after is not None
    )
    given = {  # what a select does not ask for is left alone
        "sites": sorted(by.sites or ()),
        "species": (species or "").upper(),
        "after_age": after_age,
        "after_id": after_id,
        "most": limit,
    }
    return select.rows(connection, given)


def key_of(row: Plain, use_first: bool) -> tuple[date, int] | int:
    """Where a row of `page` stands in its order; `after` of the next page."""
    age, number = row[_AGE], row[_SHOWN]
    return (age or NO_DATE, number) if use_first else number


@lru_cache(maxsize=64)
def _page(
    dialect: Dialect, use_first: bool, of_sites: bool, of_species: bool, continued: bool
) -> StraightSelect:
    """The select of a page, built once for each set of questions: building costs as much
    as asking."""
    statement = _lots().limit(bindparam("most"))
    if of_sites:
        statement = statement.where(col(Lot.site_id).in_(bindparam("sites", expanding=True)))
    if of_species:
        statement = statement.where(col(Lot.species_code) == bindparam("species"))
    if not use_first:
        if continued:
            statement = statement.where(col(Lot.id) > bindparam("after_id"))
        return StraightSelect(statement.order_by(col(Lot.id)), dialect)
    on_hand = (
        columns(literal(1))
        .where(col(Parcel.lot_id) == col(Lot.id), col(Parcel.grams) > 0)
        .correlate(Lot)
        .exists()
    )
    age = func.coalesce(col(Lot.age_from), NO_DATE)
    statement = statement.where(col(Lot.rejected_at).is_(None), on_hand)
    if continued:
        last = tuple_(bindparam("after_age", type_=Date), bindparam("after_id", type_=Integer))
        statement = statement.where(tuple_(age, col(Lot.id)) > last)
    return StraightSelect(statement.order_by(age, col(Lot.id)), dialect)


def status_of(*, rejected: bool, held: bool, on_hand: int) -> LotStatus:
    """Where a lot stands."""
    if rejected:
        return LotStatus.REJECTED
    if held:
        return LotStatus.HELD
    return _ACCEPTED if on_hand > 0 else LotStatus.USED_UP


_ACCEPTED = LotStatus.ACCEPTED  # most are; a member of an enum is found slowly in Python 3.11


@lru_cache(maxsize=64)
def _day(zone: str, at: datetime) -> date:
    """The civil day in a zone."""
    return at.astimezone(ZoneInfo(zone)).date()


@lru_cache(maxsize=4)
def units_of(mass_unit: str) -> Units:
    """How a site writes masses."""
    return Units(MassUnit(mass_unit), TemperatureUnit.C)


def lot_row(row: Plain, at: datetime) -> dict[str, Any]:
    """A row of `page` or `one_lot` with the fields of `LotRow`."""
    (
        code,
        species,
        product,
        supplier,
        supplier_lot,
        part,
        form,
        size_grade,
        received_as,
        caught_from,
        caught_to,
        frozen_on,
        best_before,
        arrived_at,
        cartons,
        grams,
        on_hand,
        age_from,
        rejected,
        held,
        zone,
        mass_unit,
    ) = row[:_SHOWN]
    units = units_of(mass_unit)
    return {
        "code": code,
        "species": species,
        "product": product,
        "supplier": supplier,
        "supplier_lot": supplier_lot,
        "part": part,
        "form": form,
        "size_grade": size_grade,
        "received_as": received_as,
        "caught_from": caught_from,
        "caught_to": caught_to,
        "frozen_on": frozen_on,
        "best_before": best_before,
        "arrived_at": arrived_at,
        "age_days": None if age_from is None else (_day(zone, at) - age_from).days,
        "status": status_of(rejected=rejected, held=held, on_hand=on_hand),
        "mass": mass_shown(units, grams),
        "on_hand": mass_shown(units, int(on_hand)),
        "cartons": cartons,
    }


def mass_shown(units: Units, grams: int) -> dict[str, Any]:
    """The fields of `MassOut`."""
    return {"value": units.mass_value(grams), "unit": units.mass, "g": grams}
