"""Every select of deliveries and of what was found in them."""

from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session, col, select

from service.catalogue.models import Supplier
from service.decisions import Finding
from service.errors import NotFound
from service.lots.models import Lot
from service.receiving.models import Delivery, DeliveryDocument, DeliveryDraft, Receipt
from service.security.actor import Actor


def delivery_by_id(session: Session, number: int, *, by: Actor) -> tuple[Delivery, str]:
    """A delivery and its supplier's code. Raises NotFound, NotAllowed at somebody else's site."""
    statement = (
        select(Delivery, Supplier.code)
        .join(Supplier, col(Supplier.id) == col(Delivery.supplier_id))
        .where(col(Delivery.id) == number)
    )
    found = session.exec(statement).one_or_none()
    if found is None:
        raise NotFound.of("delivery", number, "delivery")
    by.ensure_site(found[0].site_id)
    return found


def deliveries(
    session: Session,
    site_ids: Sequence[int],
    *,
    limit: int,
    before_id: int | None,
    order_number: str | None = None,
) -> Sequence[tuple[Delivery, str]]:
    """The newest deliveries of these sites with their suppliers' codes. One query."""
    statement = (
        select(Delivery, Supplier.code)
        .join(Supplier, col(Supplier.id) == col(Delivery.supplier_id))
        .where(col(Delivery.site_id).in_(site_ids))
        .order_by(col(Delivery.id).desc())
        .limit(limit)
    )
    if before_id is not None:
        statement = statement.where(col(Delivery.id) < before_id)
    if order_number is not None:
        statement = statement.where(col(Delivery.order_number) == order_number)
    return session.exec(statement).all()


def deliveries_between(
    session: Session, site_id: int, from_at: datetime, to_at: datetime, *, limit: int
) -> Sequence[tuple[Delivery, str]]:
    """What arrived at a site in a time, in order, with the suppliers' codes. One query."""
    statement = (
        select(Delivery, Supplier.code)
        .join(Supplier, col(Supplier.id) == col(Delivery.supplier_id))
        .where(
            col(Delivery.site_id) == site_id,
            col(Delivery.arrived_at) >= from_at,
            col(Delivery.arrived_at) < to_at,
        )
        .order_by(col(Delivery.arrived_at), col(Delivery.id))
        .limit(limit)
    )
    return session.exec(statement).all()


def cores_received(session: Session, delivery_ids: Sequence[int]) -> dict[int, list[float]]:
    """The core temperatures that were taken of lots as they arrived, by lot. One query."""
    statement = (
        select(Receipt.lot_id, Receipt.cores_c)
        .join(Lot, col(Lot.id) == col(Receipt.lot_id))
        .where(col(Lot.delivery_id).in_(set(delivery_ids)))
    )
    return {lot_id: list(cores) for lot_id, cores in session.exec(statement)}


def documents(session: Session, delivery_ids: Sequence[int]) -> dict[int, list[DeliveryDocument]]:
    """The papers of these deliveries, in the order in which they were given. One query."""
    statement = (
        select(DeliveryDocument)
        .where(col(DeliveryDocument.delivery_id).in_(set(delivery_ids)))
        .order_by(col(DeliveryDocument.id))
    )
    found: dict[int, list[DeliveryDocument]] = {}
    for document in session.exec(statement):
        found.setdefault(document.delivery_id, []).append(document)
    return found


def lots_received(
    session: Session, delivery_ids: Sequence[int]
) -> dict[int, list[tuple[Lot, tuple[Finding, ...]]]]:
    """Per delivery its lots and what was found when they arrived. One query."""
    statement = (
        select(Lot, Receipt)
        .join(Receipt, col(Receipt.lot_id) == col(Lot.id))
        .where(col(Lot.delivery_id).in_(set(delivery_ids)))
        .order_by(col(Lot.id))
    )
    found: dict[int, list[tuple[Lot, tuple[Finding, ...]]]] = {}
    for lot, receipt in session.exec(statement):
        findings = tuple(Finding.model_validate(f) for f in receipt.findings)
        found.setdefault(lot.delivery_id, []).append((lot, findings))
    return found


def draft_by_id(session: Session, number: int, *, by: Actor, lock: bool = False) -> DeliveryDraft:
    """A draft of a delivery. Raises NotFound, NotAllowed at somebody else's site. One query.

    lock: nobody else enters anything of it until commit.
    """
    statement = select(DeliveryDraft).where(col(DeliveryDraft.id) == number)
    found = session.exec(statement.with_for_update() if lock else statement).one_or_none()
    if found is None:
        raise NotFound.of("begun delivery", number, "draft")
    by.ensure_site(found.site_id)
    return found


def open_drafts(session: Session, site_id: int, *, limit: int) -> Sequence[DeliveryDraft]:
    """The drafts of a site that somebody may go on with, newest first. One query."""
    statement = (
        select(DeliveryDraft)
        .where(col(DeliveryDraft.site_id) == site_id, col(DeliveryDraft.ended_at).is_(None))
        .order_by(col(DeliveryDraft.id).desc())
        .limit(limit)
    )
    return session.exec(statement).all()
