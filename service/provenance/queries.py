"""What is known of where a lot comes from."""

from sqlmodel import Session, col, select

from service.catalogue.models import Supplier
from service.lots.models import Lot
from service.receiving.models import Delivery


def supplier_of(session: Session, lot: Lot) -> str:
    """The code of who sold a lot. One query."""
    statement = (
        select(Supplier.code)
        .join(Delivery, col(Delivery.supplier_id) == col(Supplier.id))
        .where(col(Delivery.id) == lot.delivery_id)
    )
    return session.exec(statement).one()
