"""Every select of supplement stock."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import bindparam
from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, and_, col, func, or_, select

from service.catalogue.models import SupplementProduct
from service.catalogue.queries import supplement_products_by_id
from service.catalogue.rules import COUNTED_IN, DoseForm
from service.database import rows_where_in
from service.errors import NotFound
from service.security.actor import Actor
from service.site.queries import SiteView
from service.supplement_stock.models import (
    SupplementBatch,
    SupplementConcern,
    SupplementMovement,
)
from service.supplement_stock.rules import (
    LOOKED_BACK,
    Batch,
    Entry,
    Kind,
    State,
    daily_use,
    days_of_stock,
    key_of,
    next_to_use,
    pieces,
    warned_from,
)

__all__ = ["Batch"]


def batch_of(row: SupplementBatch) -> Batch:
    """A stored batch as rules see it."""
    return Batch(
        id=row.id or 0,
        site_id=row.site_id,
        product_id=row.product_id,
        code=row.code,
        expires_on=row.expires_on,
        contents=row.contents,
        left=pieces(row.left_milli),
        price=row.price,
        currency=row.currency,
    )


def in_use(
    session: Session, site_id: int, product_ids: Collection[int], *, on: date
) -> Mapping[int, Batch]:
    """The batch to use next of each product on a day: first expired, first out.

    By product; one that has no batch with something left and a date not past is absent,
    whether its stock is kept or not (`kept` says). One query.
    """
    found: dict[int, list[Batch]] = {}
    asked = {"of_site": site_id, "products": list(set(product_ids)), "on": on}
    for row in session.execute(_usable_select(), asked).scalars():
        found.setdefault(row.product_id, []).append(batch_of(row))
    return {
        product_id: batch
        for product_id, batches in found.items()
        if (batch := next_to_use(batches, on)) is not None
    }


@lru_cache(maxsize=1)
def _usable_select() -> Any:
    """The select of `in_use`, built once."""
    return select(SupplementBatch).where(
        col(SupplementBatch.site_id) == bindparam("of_site"),
        col(SupplementBatch.product_id).in_(bindparam("products", expanding=True)),
        col(SupplementBatch.left_milli) > 0,
        col(SupplementBatch.expires_on) >= bindparam("on"),
    )


def kept(session: Session, site_id: int, product_ids: Collection[int]) -> frozenset[int]:
    """Which of these products a site has ever kept stock of. One query."""
    statement = (
        select(SupplementBatch.product_id)
        .where(
            col(SupplementBatch.site_id) == site_id,
            col(SupplementBatch.product_id).in_(list(set(product_ids))),
        )
        .distinct()
    )
    return frozenset(session.exec(statement))


def batch_by_code(
    session: Session, site_id: int, product_id: int, code: str, *, field: str = "batch"
) -> Batch:
    """The batch that carries a maker's code, found in any case and spacing. Raises NotFound."""
    row = row_by_code(session, site_id, product_id, code)
    if row is None:
        raise NotFound.of("supplement batch", code, field)
    return batch_of(row)


def row_by_code(
    session: Session, site_id: int, product_id: int, code: str
) -> SupplementBatch | None:
    """The row of a maker's code. One query."""
    statement = select(SupplementBatch).where(
        col(SupplementBatch.site_id) == site_id,
        col(SupplementBatch.product_id) == product_id,
        col(SupplementBatch.key) == key_of(code),
    )
    return session.exec(statement).one_or_none()


def batches_by_id(session: Session, ids: Iterable[int]) -> dict[int, Batch]:
    """The batches of these numbers; one that is not there is absent. One query."""
    rows = session.execute(rows_where_in(SupplementBatch.id), {"keys": list(set(ids))}).scalars()
    return {row.id: batch_of(row) for row in rows if row.id is not None}


def row_by_id(session: Session, number: int, *, by: Actor) -> SupplementBatch:
    """A batch's row. Raises NotFound, and NotAllowed at somebody else's site."""
    row = session.get(SupplementBatch, number)
    if row is None:
        raise NotFound.of("supplement batch", number, "batch")
    by.ensure_site(row.site_id)
    return row


def locked(session: Session, ids: Iterable[int]) -> dict[int, SupplementBatch]:
    """The rows of these batches, locked until commit in order, as they stand now. One query."""
    statement = (
        select(SupplementBatch)
        .where(col(SupplementBatch.id).in_(list(set(ids))))
        .order_by(col(SupplementBatch.id))
        .with_for_update()
        .execution_options(populate_existing=True)
    )
    return {row.id or 0: row for row in session.exec(statement)}


def lock_product(session: Session, product_id: int) -> None:
    """Lock a product's row, so that one batch code is taken in once."""
    chosen = select(SupplementProduct.id).where(col(SupplementProduct.id) == product_id)
    session.exec(chosen.with_for_update(key_share=True)).one()


def entries(session: Session, batch_ids: Iterable[int]) -> dict[int, list[Entry]]:
    """What happened to batches, without what was taken back and what only settled the books.

    One query; grows with the movements of the batches.
    """
    undo = aliased(SupplementMovement)
    moved = SupplementMovement
    rows = session.execute(
        columns(
            col(moved.batch_id),
            col(moved.occurred_at),
            col(moved.id),
            col(moved.milli),
            col(moved.counted_milli),
        )
        .outerjoin(undo, col(undo.reverses_id) == col(moved.id))
        .where(
            col(moved.batch_id).in_(list(set(batch_ids))),
            col(moved.reverses_id).is_(None),
            col(undo.id).is_(None),
            or_(col(moved.kind) != Kind.COUNTED, col(moved.counted_milli).is_not(None)),
        )
    )
    found: dict[int, list[Entry]] = {}
    for batch_id, occurred_at, number, milli, counted in rows:
        found.setdefault(batch_id, []).append(Entry(occurred_at, number, milli, counted))
    return found


def movement_by_id(session: Session, number: int, *, by: Actor) -> SupplementMovement:
    """A movement of supplements. Raises NotFound, and NotAllowed at somebody else's site."""
    row = session.get(SupplementMovement, number)
    if row is None:
        raise NotFound.of("supplement movement", number, "movement")
    row_by_id(session, row.batch_id, by=by)
    return row


def is_reversed(session: Session, number: int) -> bool:
    """Whether a movement was taken back. One query."""
    chosen = select(SupplementMovement.id).where(col(SupplementMovement.reverses_id) == number)
    return session.exec(chosen).first() is not None


def standing_by_reference(
    session: Session, references: Collection[str]
) -> list[SupplementMovement]:
    """What stands of the movements that were booked under these references. One query."""
    undo = aliased(SupplementMovement)
    statement = (
        select(SupplementMovement)
        .outerjoin(undo, col(undo.reverses_id) == col(SupplementMovement.id))
        .where(
            col(SupplementMovement.reference).in_(list(set(references))),
            col(SupplementMovement.reverses_id).is_(None),
            col(undo.id).is_(None),
        )
        .order_by(col(SupplementMovement.id))
    )
    return list(session.exec(statement))


def movements(
    session: Session, batch_id: int, *, limit: int, before_id: int | None
) -> Sequence[SupplementMovement]:
    """What came to a batch and went, newest first. One query."""
    statement = select(SupplementMovement).where(col(SupplementMovement.batch_id) == batch_id)
    if before_id is not None:
        statement = statement.where(col(SupplementMovement.id) < before_id)
    return session.exec(statement.order_by(col(SupplementMovement.id).desc()).limit(limit)).all()


def batches(
    session: Session,
    views: Sequence[SiteView],
    *,
    at: datetime,
    product_id: int | None = None,
    state: State | None = None,
    after: tuple[date, int] | None = None,
    limit: int,
) -> Sequence[SupplementBatch]:
    """Batches of sites, the first to expire first. One query."""
    row = SupplementBatch
    there = [and_(col(row.site_id) == v.id, _in_state(v, state, at)) for v in views]
    statement = select(row).where(or_(False, *there))
    if product_id is not None:
        statement = statement.where(col(row.product_id) == product_id)
    if after is not None:
        later = and_(col(row.expires_on) == after[0], col(row.id) > after[1])
        statement = statement.where(or_(col(row.expires_on) > after[0], later))
    return session.exec(statement.order_by(col(row.expires_on), col(row.id)).limit(limit)).all()


def _in_state(view: SiteView, state: State | None, at: datetime) -> Any:
    """`rules.state_of` as a condition; compared with it by a test."""
    left, expires_on = col(SupplementBatch.left_milli), col(SupplementBatch.expires_on)
    today = view.day_of(at)
    # Expires on the day, at the latest, that is warned of today.
    soon_until = today + (today - warned_from(today, view.policy))
    if state is None:
        return True
    if state is State.USED_UP:
        return left <= 0
    if state is State.EXPIRED:
        return and_(left > 0, expires_on < today)
    if state is State.EXPIRES_SOON:
        return and_(left > 0, expires_on >= today, expires_on <= soon_until)
    return and_(left > 0, expires_on > soon_until)


def in_stock(session: Session, site_id: int) -> list[SupplementBatch]:
    """All batches of a site that have something left. One query."""
    statement = select(SupplementBatch).where(
        col(SupplementBatch.site_id) == site_id, col(SupplementBatch.left_milli) > 0
    )
    return list(session.exec(statement.order_by(col(SupplementBatch.id))))


@dataclass(frozen=True)
class Used:
    """How much of a product was given or lost lately, and since which day of that time."""

    count: float
    first_day: date


def used_lately(session: Session, site_id: int, on: date) -> Mapping[int, Used]:
    """What was given and wasted of each product in the last days. One query over those days."""
    undo = aliased(SupplementMovement)
    row, batch = SupplementMovement, SupplementBatch
    rows = session.execute(
        columns(col(batch.product_id), -func.sum(col(row.milli)), func.min(col(row.day)))
        .join(batch, col(batch.id) == col(row.batch_id))
        .outerjoin(undo, col(undo.reverses_id) == col(row.id))
        .where(
            col(batch.site_id) == site_id,
            col(row.kind).in_([Kind.GIVEN, Kind.WASTED]),
            col(row.day) > on - LOOKED_BACK,
            col(row.day) <= on,
            col(undo.id).is_(None),
        )
        .group_by(col(batch.product_id))
    )
    return {product_id: Used(pieces(int(milli)), first) for product_id, milli, first in rows}


def open_concerns(session: Session, site_ids: Collection[int]) -> list[SupplementConcern]:
    """What was told of supplements of these sites and is not over. One query."""
    statement = select(SupplementConcern).where(
        col(SupplementConcern.site_id).in_(list(site_ids)),
        col(SupplementConcern.ended_at).is_(None),
    )
    return list(session.exec(statement))


@dataclass(frozen=True)
class OnHand:
    """What a site has of a product that it keeps or has lately used, and how long it lasts."""

    product_id: int
    product: str
    name: str
    counted_in: str
    batches: tuple[Batch, ...]
    usable: float
    next_batch: Batch | None
    used_per_day: float
    days_left: float


def on_hand(session: Session, view: SiteView, *, at: datetime) -> list[OnHand]:
    """Products of a site by code. Three queries, whatever the history but fourteen days of it."""
    today = view.day_of(at)
    by_product: dict[int, list[Batch]] = {}
    for row in in_stock(session, view.id):
        by_product.setdefault(row.product_id, []).append(batch_of(row))
    used = used_lately(session, view.id, today)
    products = supplement_products_by_id(session, {*by_product, *used})
    found = []
    for product_id, product in sorted(products.items(), key=lambda each: each[1].code):
        mine = by_product.get(product_id, [])
        good = [batch for batch in mine if today <= batch.expires_on]
        lately = used.get(product_id)
        daily = daily_use(lately.count, lately.first_day, today) if lately else 0.0
        found.append(
            OnHand(
                product_id,
                product.code,
                product.name,
                COUNTED_IN[DoseForm(product.form)],
                tuple(mine),
                sum(batch.left for batch in good),
                next_to_use(mine, today),
                daily,
                days_of_stock(good, daily, today),
            )
        )
    return found
