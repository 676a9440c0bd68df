"""Every select of opening balances."""

from collections.abc import Iterable

from sqlmodel import Session, col, select

from service.ledger.models import Parcel
from service.lots.models import Lot
from service.opening.rules import Same
from service.receiving.models import Delivery


def opened_before(session: Session, place_ids: Iterable[int]) -> dict[Same, str]:
    """What opening balances have put into these places, with the lots' codes. One query."""
    statement = (
        select(Lot, Parcel.place_id)
        .join(Delivery, col(Delivery.id) == col(Lot.delivery_id))
        .join(Parcel, col(Parcel.lot_id) == col(Lot.id))
        .where(
            col(Delivery.opening).is_(True),
            col(Parcel.parent_id).is_(None),
            col(Parcel.place_id).in_(set(place_ids)),
        )
    )
    return {
        Same(
            lot.product_id,
            place_id,
            lot.supplier_lot,
            lot.caught_from,
            lot.frozen_on,
            lot.received_on,
            lot.grams,
        ): lot.code
        for lot, place_id in session.exec(statement)
    }
