"""Which lots are held, and since when."""

from collections.abc import Sequence

from sqlmodel import Session, col, select

from service.lots.models import Hold, Lot


def holds(
    session: Session, site_ids: Sequence[int], *, open_: bool | None, limit: int, after_id: int
) -> Sequence[tuple[Hold, Lot]]:
    """Holds of these sites with their lots, oldest first; open, released, or both. One query."""
    statement = (
        select(Hold, Lot)
        .join(Lot, col(Lot.id) == col(Hold.lot_id))
        .where(col(Lot.site_id).in_(site_ids), col(Hold.id) > after_id)
        .order_by(col(Hold.id))
        .limit(limit)
    )
    if open_ is not None:
        released = col(Hold.released_at)
        statement = statement.where(released.is_(None) if open_ else released.is_not(None))
    return session.exec(statement).all()
