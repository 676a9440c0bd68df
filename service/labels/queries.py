"""Every select for labels: what a scanned code is of, and what is printed of a code."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import select as columns
from sqlmodel import Session, SQLModel, col, select

from service.barcodes.rules.own import OwnKind
from service.catalogue.models import Product
from service.database import rows_where_in
from service.errors import NotAllowed, NotFound
from service.ledger import queries as ledger
from service.ledger.models import ThawBatch
from service.ledger.rules import Batch
from service.lots import queries as lots
from service.lots.models import Lot
from service.security.actor import Actor


def products_of_gtin(session: Session, gtin: str) -> Sequence[Product]:
    """Our products with a GTIN of fourteen digits, however short it was set up. One query."""
    bare = gtin.lstrip("0")
    same = {bare.zfill(length) for length in (8, 12, 13, 14) if len(bare) <= length}
    statement = select(Product).where(col(Product.gtin).in_(same)).order_by(col(Product.code))
    return session.exec(statement).all()


def own_is_known(session: Session, kind: OwnKind, code: str, *, by: Actor) -> bool:
    """Whether somebody's sites have what a code is on. One query."""
    if kind in (OwnKind.BUCKET, OwnKind.SHEET):
        table = SQLModel.metadata.tables[kind]  # of a part above this one
        found = session.execute(columns(table.c.site_id).where(table.c.code == code)).scalar()
        return found is not None and by.sees(found)
    try:
        if kind is OwnKind.LOT:
            lots.lot_by_code(session, code, by=by)
        else:
            ledger.batch_by_code(session, code, by=by, field="text")
    except (NotFound, NotAllowed):
        return False
    return True


def lots_by_code(session: Session, codes: Sequence[str], *, by: Actor, field: str) -> list[Lot]:
    """The lots of these codes, in their order. One query.

    Raises NotFound for the first that is unknown, NotAllowed at somebody else's site.
    """
    found = _by_code(session, Lot, codes, "lot", field)
    for lot in found:
        by.ensure_site(lot.site_id)
    return found


def batches_by_code(
    session: Session, codes: Sequence[str], *, by: Actor, field: str
) -> list[Batch]:
    """The thaw batches of these codes, in their order. One query; raises like `lots_by_code`."""
    found = _by_code(session, ThawBatch, codes, "thaw batch", field)
    for batch in found:
        by.ensure_site(batch.site_id)
    return [ledger.batch_of(batch) for batch in found]


def _by_code(
    session: Session, model: Any, codes: Sequence[str], what: str, field: str
) -> list[Any]:
    wanted = [code.upper() for code in codes]
    rows = session.execute(rows_where_in(model.code), {"keys": list(set(wanted))}).scalars()
    found = {row.code: row for row in rows}
    missing = next((code for code in wanted if code not in found), None)
    if missing is not None:
        raise NotFound.of(what, missing, field)
    return [found[code] for code in wanted]
