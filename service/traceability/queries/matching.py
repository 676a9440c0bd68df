"""Which lots a supplier lot code is about, at whatever site."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import func
from sqlalchemy import select as columns
from sqlmodel import Session, col, select

from service.catalogue.models import Product, Supplier
from service.database import rows_where_in
from service.lots.models import Lot, LotCandidate, LotCorrection
from service.lots.rules import plain_supplier_lot, supplier_lot_key
from service.receiving.models import Delivery
from service.security.actor import Actor
from service.traceability.rules import Match, matches


@dataclass(frozen=True)
class Matched:
    """A lot with its product and supplier, and why it is shown."""

    lot: Lot
    product: str
    supplier: str
    match: Match

    @property
    def lot_id(self) -> int:
        """The lot's number."""
        return self.lot.id or 0


@dataclass(frozen=True)
class Found:
    """The lots of a recall that somebody sees, and how many more sites are concerned."""

    lots: tuple[Matched, ...]
    exact_sites_elsewhere: int
    look_alike_sites_elsewhere: int

    def of(self, *matches: Match) -> list[Matched]:
        """The lots that match so."""
        return [each for each in self.lots if each.match in matches]


def lots_like(session: Session, supplier_lot: str, *, supplier_id: int | None, by: Actor) -> Found:
    """Every lot whose supplier lot code is the one asked for, or looks like it.

    Lots without a readable label that may be of an exact match are among them.
    So are lots that were called so before somebody corrected it. Other sites are
    counted and nothing of them is shown. At most four queries.
    """
    like = _lots().where(col(Lot.supplier_lot_key) == supplier_lot_key(supplier_lot))
    if supplier_id is not None:
        like = like.where(_supplier_id() == supplier_id)
    near = list(_matched(session, like))
    fits = matches(supplier_lot, [each.lot.supplier_lot or "" for each in near])
    found = [replace(e, match=fit) for e, fit in zip(near, fits, strict=True) if fit is not None]
    exact = {each.lot_id for each in found if each.match is Match.EXACT}
    known = {each.lot_id for each in found}
    unread = select(LotCandidate.lot_id).where(col(LotCandidate.candidate_id).in_(exact))
    perhaps = _matched(session, _lots().where(col(Lot.id).in_(unread))) if exact else []
    found += [each for each in perhaps if each.lot_id not in known]
    found += _once_called(session, supplier_lot, {each.lot_id for each in found}, supplier_id)
    return _seen(found, by)


def _once_called(
    session: Session, supplier_lot: str, known: Collection[int], supplier_id: int | None
) -> list[Matched]:
    """Lots that were called so before a correction: look-alikes, as it may have been wrong.

    One query, and one more if there are any; cost grows with the codes ever corrected.
    """
    statement = columns(col(LotCorrection.lot_id), col(LotCorrection.before)).where(
        col(LotCorrection.field) == "supplier_lot", col(LotCorrection.before).is_not(None)
    )
    key = supplier_lot_key(supplier_lot)
    once = {i for i, code in session.execute(statement) if supplier_lot_key(code) == key}
    if not once - set(known):
        return []
    like = _lots().where(col(Lot.id).in_(once - set(known)))
    if supplier_id is not None:
        like = like.where(_supplier_id() == supplier_id)
    return [replace(each, match=Match.LOOK_ALIKE) for each in _matched(session, like)]


def named(session: Session, lot: Lot) -> Matched:
    """One lot with its product and supplier. One query."""
    (found,) = _matched(session, _lots().where(col(Lot.id) == lot.id))
    return replace(found, match=Match.EXACT)


def namesakes(session: Session, lot: Lot, *, by: Actor) -> list[Lot]:
    """The other lots with exactly the supplier lot code of this one. One query."""
    if lot.supplier_lot_key is None or lot.supplier_lot is None:
        return []
    alike = session.execute(
        rows_where_in(Lot.supplier_lot_key), {"keys": [lot.supplier_lot_key]}
    ).scalars()
    plain = plain_supplier_lot(lot.supplier_lot)
    return [
        each
        for each in alike
        if each.id != lot.id
        and by.sees(each.site_id)
        and plain_supplier_lot(each.supplier_lot or "") == plain
    ]


def _seen(found: Sequence[Matched], by: Actor) -> Found:
    hidden = [each for each in found if not by.sees(each.lot.site_id)]
    exact = {e.lot.site_id for e in hidden if e.match is not Match.LOOK_ALIKE}
    alike = {e.lot.site_id for e in hidden if e.match is Match.LOOK_ALIKE}
    shown = tuple(each for each in found if by.sees(each.lot.site_id))
    return Found(shown, len(exact), len(alike - exact))


def _supplier_id() -> Any:
    """Who brought a lot; for fish that no delivery brought, who sells its product."""
    return func.coalesce(col(Delivery.supplier_id), col(Product.supplier_id))


def _lots() -> Any:
    return (
        columns(Lot, col(Product.code), col(Supplier.code))
        .join(Product, col(Product.id) == col(Lot.product_id))
        .outerjoin(Delivery, col(Delivery.id) == col(Lot.delivery_id))
        .join(Supplier, col(Supplier.id) == _supplier_id())
        .order_by(col(Lot.id))
    )


def _matched(session: Session, statement: Any) -> Iterable[Matched]:
    for lot, product, supplier in session.execute(statement):
        yield Matched(lot, product, supplier, Match.MAY_BE_OF)
