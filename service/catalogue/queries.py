"""Every select of the catalogue."""

from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import bindparam
from sqlmodel import Session, col, select

from service.catalogue.models import Product, Species, SupplementProduct, Supplier
from service.database import rows_where_in
from service.errors import NotFound


def species_by_code(session: Session, code: str, *, field: str) -> Species:
    """The species of this ASFIS code. Raises NotFound."""
    found = session.get(Species, code.upper())
    if found is None:
        raise NotFound.of("species", code, field)
    return found


def lock_species(session: Session, codes: Iterable[str]) -> None:
    """Lock all stock of these species until commit, in code order so that nobody deadlocks.

    Every stock write, reservations and holds included, begins here: order,
    holds and balances are then judged on a still picture. On SQLite the write
    transaction itself is the lock.
    """
    session.execute(_lock_select(), {"codes": list(set(codes))}).all()


@lru_cache(maxsize=1)
def _lock_select() -> Any:
    """The select of `lock_species`, built once: every stock write begins with it."""
    chosen = select(Species.code).where(col(Species.code).in_(bindparam("codes", expanding=True)))
    return chosen.order_by(col(Species.code)).with_for_update(key_share=True)


def supplier_by_code(session: Session, code: str, *, field: str) -> Supplier:
    """The supplier of this code. Raises NotFound."""
    found = session.exec(select(Supplier).where(col(Supplier.code) == code.upper())).one_or_none()
    if found is None:
        raise NotFound.of("supplier", code, field)
    return found


def product_by_code(session: Session, code: str, *, field: str) -> Product:
    """The product of this code. Raises NotFound."""
    found = session.exec(select(Product).where(col(Product.code) == code.upper())).one_or_none()
    if found is None:
        raise NotFound.of("product", code, field)
    return found


def products_by_id(session: Session, ids: Iterable[int]) -> dict[int, Product]:
    """The products of these ids. One query."""
    found = session.execute(rows_where_in(Product.id), {"keys": list(set(ids))}).scalars()
    return {product.id: product for product in found if product.id is not None}


def suppliers(session: Session) -> Sequence[Supplier]:
    """All suppliers by code. One query."""
    return session.exec(select(Supplier).order_by(col(Supplier.code))).all()


def products(session: Session) -> Sequence[tuple[Product, Supplier]]:
    """All products with their suppliers by code. One query."""
    statement = (
        select(Product, Supplier)
        .join(Supplier, col(Supplier.id) == col(Product.supplier_id))
        .order_by(col(Product.code))
    )
    return session.exec(statement).all()


def supplement_products(session: Session) -> Sequence[SupplementProduct]:
    """All supplement products in the order they were set up: the order of preference."""
    return session.exec(select(SupplementProduct).order_by(col(SupplementProduct.id))).all()


def supplement_product_by_code(session: Session, code: str, *, field: str) -> SupplementProduct:
    """The supplement product of this code. Raises NotFound."""
    chosen = select(SupplementProduct).where(col(SupplementProduct.code) == code.upper())
    found = session.exec(chosen).one_or_none()
    if found is None:
        raise NotFound.of("supplement product", code, field)
    return found


def supplement_products_by_id(session: Session, ids: Iterable[int]) -> dict[int, SupplementProduct]:
    """The supplement products of these ids. One query."""
    keys = {"keys": list(set(ids))}
    found = session.execute(rows_where_in(SupplementProduct.id), keys).scalars()
    return {product.id: product for product in found if product.id is not None}
