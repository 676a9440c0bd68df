"""Every select for labels: what a scanned code is of."""

from collections.abc import Sequence

from sqlmodel import Session, col, select

from service.catalogue.models import Product
from service.errors import NotAllowed, NotFound
from service.labels.rules.own import OwnKind
from service.ledger import queries as ledger
from service.lots import queries as lots
from service.security.actor import Actor


def products_of_gtin(session: Session, gtin: str) -> Sequence[Product]:
    """Our products with a GTIN of fourteen digits, however short it was set up. One query."""
    bare = gtin.lstrip("0")
    same = {bare.zfill(length) for length in (8, 12, 13, 14) if len(bare) <= length}
    statement = select(Product).where(col(Product.gtin).in_(same)).order_by(col(Product.code))
    return session.exec(statement).all()


def own_is_known(session: Session, kind: OwnKind, code: str, *, by: Actor) -> bool:
    """Whether somebody's sites have the lot or thaw batch of a code. One query."""
    try:
        if kind is OwnKind.LOT:
            lots.lot_by_code(session, code, by=by)
        else:
            ledger.batch_by_code(session, code, by=by, field="text")
    except (NotFound, NotAllowed):
        return False
    return True
