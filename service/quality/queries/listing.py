"""Lots with their stock: the hot reads. One select each, whatever the history."""

from collections.abc import Sequence
from datetime import date, datetime
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, Connection, Row, bindparam, func, literal, tuple_
from sqlalchemy import select as columns
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


@lru_cache(maxsize=1)
def _lots() -> Any:
    return (
        columns(
            col(Lot.id),
            col(Lot.site_id),
            col(Lot.code),
            col(Lot.species_code).label("species"),
            col(Lot.supplier_lot),
            col(Lot.part),
            col(Lot.form),
            col(Lot.size_grade),
            col(Lot.received_as),
            col(Lot.caught_from),
            col(Lot.caught_to),
            col(Lot.frozen_on),
            col(Lot.best_before),
            col(Lot.arrived_at),
            col(Lot.age_from),
            col(Lot.grams),
            col(Lot.cartons),
            col(Lot.rejected_at),
            col(Product.code).label("product"),
            col(Supplier.code).label("supplier"),
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
    return (
        _lots()
        .add_columns(
            col(Place.code).label("place"), func.sum(col(Parcel.grams)).label("place_grams")
        )
        .outerjoin(Parcel, (col(Parcel.lot_id) == col(Lot.id)) & (col(Parcel.grams) > 0))
        .outerjoin(Place, col(Place.id) == col(Parcel.place_id))
        .where(col(Lot.code) == bindparam("code"))
        .group_by(col(Lot.id), col(Product.code), col(Supplier.code), col(Site.id), col(Place.code))
        .order_by(col(Place.code))
    )


def holds_of(connection: Connection, lot_id: int) -> Sequence[Row[Any]]:
    """The holds of a lot, oldest first. One select."""
    statement: Any = (
        columns(
            col(Hold.id),
            col(Hold.reason),
            col(Hold.placed_at),
            col(Hold.placed_by),
            col(Hold.released_at),
        )
        .where(col(Hold.lot_id) == lot_id)
        .order_by(col(Hold.id))
    )
    rows: Sequence[Row[Any]] = connection.execute(statement).all()
    return rows


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
    statement = _lots()
    if by.sites is not None:
        statement = statement.where(col(Lot.site_id).in_(by.sites))
    if species is not None:
        statement = statement.where(col(Lot.species_code) == species.upper())
    if not use_first:
        if isinstance(after, int):
            statement = statement.where(col(Lot.id) > after)
        return connection.execute(statement.order_by(col(Lot.id)).limit(limit)).all()
    on_hand = (
        columns(literal(1))
        .where(col(Parcel.lot_id) == col(Lot.id), col(Parcel.grams) > 0)
        .correlate(Lot)
        .exists()
    )
    age = func.coalesce(col(Lot.age_from), NO_DATE)
    statement = statement.where(col(Lot.rejected_at).is_(None), on_hand)
    if isinstance(after, tuple):
        statement = statement.where(tuple_(age, col(Lot.id)) > tuple_(*after))
    return connection.execute(statement.order_by(age, col(Lot.id)).limit(limit)).all()


def status_of(row: Row[Any]) -> LotStatus:
    """Where a lot stands."""
    if row.rejected_at is not None:
        return LotStatus.REJECTED
    if row.held:
        return LotStatus.HELD
    return LotStatus.ACCEPTED if row.on_hand > 0 else LotStatus.USED_UP


@lru_cache(maxsize=64)
def _zone(name: str) -> ZoneInfo:
    return ZoneInfo(name)


@lru_cache(maxsize=4)
def units_of(mass_unit: str) -> Units:
    """How a site writes masses."""
    return Units(MassUnit(mass_unit), TemperatureUnit.C)


def lot_row(row: Row[Any], at: datetime) -> dict[str, Any]:
    """A row of `page` or `lot_rows` with the fields of `LotRow`."""
    units = units_of(row.mass_unit)
    today = at.astimezone(_zone(row.timezone)).date()
    return {
        "code": row.code,
        "species": row.species,
        "product": row.product,
        "supplier": row.supplier,
        "supplier_lot": row.supplier_lot,
        "part": row.part,
        "form": row.form,
        "size_grade": row.size_grade,
        "received_as": row.received_as,
        "caught_from": row.caught_from,
        "caught_to": row.caught_to,
        "frozen_on": row.frozen_on,
        "best_before": row.best_before,
        "arrived_at": row.arrived_at,
        "age_days": None if row.age_from is None else (today - row.age_from).days,
        "status": status_of(row),
        "mass": units.mass_out(row.grams),
        "on_hand": units.mass_out(int(row.on_hand)),
        "cartons": row.cartons,
    }
