"""Lots with their stock: the hot reads. One select each, whatever the history."""

from collections.abc import Sequence
from datetime import date, datetime
from functools import lru_cache
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from sqlalchemy import (
    ColumnElement,
    Connection,
    Date,
    Integer,
    Row,
    bindparam,
    func,
    literal,
    tuple_,
    type_coerce,
)
from sqlalchemy import select as columns
from sqlalchemy.types import NULLTYPE
from sqlmodel import col

from service.catalogue.models import Product, Supplier
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


# What is shown as it is stored; the first columns of the select, in this order.
SHOWN = (
    "code",
    "species",
    "product",
    "supplier",
    "supplier_lot",
    "part",
    "form",
    "size_grade",
    "received_as",
    "caught_from",
    "caught_to",
    "frozen_on",
    "best_before",
    "arrived_at",
    "cartons",
)


class Behind(NamedTuple):
    """What a row of the select carries next: what else is shown is worked out from it.

    Read by position: looking a column up by its name costs a microsecond each time.
    """

    lot_id: int
    site_id: int
    age_from: date | None
    grams: int
    rejected: bool
    timezone: str
    mass_unit: str
    on_hand: int
    held: bool


@lru_cache(maxsize=1)
def _lots() -> Any:
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
            # Dates that are only shown are not parsed: SQLite holds them as they are written.
            type_coerce(col(Lot.caught_from), NULLTYPE).label("caught_from"),
            type_coerce(col(Lot.caught_to), NULLTYPE).label("caught_to"),
            type_coerce(col(Lot.frozen_on), NULLTYPE).label("frozen_on"),
            type_coerce(col(Lot.best_before), NULLTYPE).label("best_before"),
            col(Lot.arrived_at),
            col(Lot.cartons),
            col(Lot.id).label("lot_id"),
            col(Lot.site_id),
            col(Lot.age_from),
            col(Lot.grams),
            col(Lot.rejected_at).is_not(None),
            col(Site.timezone),
            col(Site.mass_unit),
            _on_hand().label("on_hand"),
            is_held().label("held"),
        )
        .join(Product, col(Product.id) == col(Lot.product_id))
        .join(Supplier, col(Supplier.id) == col(Product.supplier_id))
        .join(Site, col(Site.id) == col(Lot.site_id))
    )


def lot_rows(connection: Connection, code: str) -> Sequence[Row[Any]]:
    """One lot, a row for each place it is in. One select by key."""
    return connection.execute(_one_lot(), {"code": code.upper()}).all()


@lru_cache(maxsize=1)
def _one_lot() -> Any:
    any_hold = columns(literal(1)).where(col(Hold.lot_id) == col(Lot.id)).correlate(Lot).exists()
    return (
        _lots()
        .add_columns(
            col(Place.code).label("place"),
            func.sum(col(Parcel.grams)).label("place_grams"),
            any_hold.label("has_holds"),
        )
        .outerjoin(Parcel, (col(Parcel.lot_id) == col(Lot.id)) & (col(Parcel.grams) > 0))
        .outerjoin(Place, col(Place.id) == col(Parcel.place_id))
        .where(col(Lot.code) == bindparam("code"))
        .group_by(col(Lot.id), col(Product.code), col(Supplier.code), col(Site.id), col(Place.code))
        .order_by(col(Place.code))
    )


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
) -> Sequence[Row[Any]]:
    """Lots by number, or in the order of use: then without used-up and rejected ones.

    One select; it reads the rows of the page, by index.
    """
    after_age, after_id = after if isinstance(after, tuple) else (NO_DATE, after)
    statement = _page(use_first, by.sites is not None, species is not None, after is not None)
    given = {  # what a select does not ask for is left alone
        "sites": sorted(by.sites or ()),
        "species": (species or "").upper(),
        "after_age": after_age,
        "after_id": after_id,
        "most": limit,
    }
    rows: Sequence[Row[Any]] = connection.execute(statement, given).all()
    return rows


@lru_cache(maxsize=16)
def _page(use_first: bool, of_sites: bool, of_species: bool, continued: bool) -> Any:
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
        return statement.order_by(col(Lot.id))
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
    return statement.order_by(age, col(Lot.id))


def status_of(lot: Behind) -> LotStatus:
    """Where a lot stands."""
    if lot.rejected:
        return LotStatus.REJECTED
    if lot.held:
        return LotStatus.HELD
    return _ACCEPTED if lot.on_hand > 0 else LotStatus.USED_UP


_ACCEPTED = LotStatus.ACCEPTED  # most are; a member of an enum is found slowly in Python 3.11


@lru_cache(maxsize=64)
def _day(zone: str, at: datetime) -> date:
    """The civil day in a zone."""
    return at.astimezone(ZoneInfo(zone)).date()


@lru_cache(maxsize=4)
def units_of(mass_unit: str) -> Units:
    """How a site writes masses."""
    return Units(MassUnit(mass_unit), TemperatureUnit.C)


def lot_row(row: Row[Any], at: datetime) -> dict[str, Any]:
    """A row of `page` or `lot_rows` with the fields of `LotRow`."""
    values = tuple(row)
    lot = Behind(*values[len(SHOWN) : _KNOWN])
    units = units_of(lot.mass_unit)
    shown = dict(zip(SHOWN, values, strict=False))
    shown["age_days"] = (
        None if lot.age_from is None else (_day(lot.timezone, at) - lot.age_from).days
    )
    shown["status"] = status_of(lot)
    shown["mass"] = mass_shown(units, lot.grams)
    shown["on_hand"] = mass_shown(units, int(lot.on_hand))
    return shown


_KNOWN = len(SHOWN) + len(Behind._fields)


def mass_shown(units: Units, grams: int) -> dict[str, Any]:
    """The fields of `MassOut`."""
    return {"value": units.mass_value(grams), "unit": units.mass, "g": grams}
