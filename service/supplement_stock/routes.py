"""Supplement batches, what came and went of them, and what is on hand."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime

from fastapi import APIRouter
from sqlmodel import Session

from service.catalogue.models import SupplementProduct
from service.catalogue.queries import supplement_product_by_code, supplement_products_by_id
from service.errors import Invalid
from service.http.bodies import Cursor, Limit, Number, Page, decode_cursor, encode_cursor
from service.http.sessions import Now, ReadSession, WriteSession
from service.ledger.schemas import ReversalIn
from service.security.actor import Actor
from service.security.guard import MayCount, MayLook, MayReceive, MayReverse, guarded_router
from service.site import queries as sites
from service.site.queries import SiteView
from service.supplement_stock import queries
from service.supplement_stock.actions import stock as actions
from service.supplement_stock.actions.showing import (
    batch_out,
    booked_out,
    movement_out,
    on_hand_out,
)
from service.supplement_stock.rules import (
    State,
)
from service.supplement_stock.schemas import (
    SupplementBatchIn,
    SupplementBatchOut,
    SupplementCountIn,
    SupplementDiscardIn,
    SupplementMovementOut,
    SupplementOnHand,
    SupplementReceiptIn,
    SupplementStockOut,
)

batches: APIRouter = guarded_router("/supplement-batches", "supplement stock")
movements: APIRouter = guarded_router("/supplement-movements", "supplement stock")
stock: APIRouter = guarded_router("/supplement-stock", "supplement stock")
routers = (batches, movements, stock)


@batches.post("", status_code=201)
def receive(
    new: SupplementBatchIn, session: WriteSession, at: Now, by: MayReceive
) -> SupplementStockOut:
    """A batch of a supplement that came; one that has expired is kept and never given."""
    return booked_out(session, actions.receive(session, new, at=at, by=by), at)


@batches.get("")
def list_batches(
    session: ReadSession,
    at: Now,
    by: MayLook,
    site: str | None = None,
    product: str | None = None,
    state: State | None = None,
    limit: Limit = 200,
    cursor: Cursor = None,
) -> Page[SupplementBatchOut]:
    """Batches with what is left, the first to expire first: that is the order of use."""
    after = _after(cursor)
    views = _views(session, site, at, by)
    named = supplement_product_by_code(session, product, field="product") if product else None
    rows = queries.batches(
        session,
        list(views.values()),
        at=at,
        product_id=named.id if named else None,
        state=state,
        after=after,
        limit=limit + 1,
    )
    products = supplement_products_by_id(session, [row.product_id for row in rows])
    shown = rows[:limit]
    last = shown[-1] if len(rows) > limit else None
    return Page(
        items=[batch_out(r, products[r.product_id], views[r.site_id], at) for r in shown],
        next=encode_cursor(last.expires_on.isoformat(), last.id or 0) if last else None,
    )


def _after(cursor: str | None) -> tuple[date, int] | None:
    if cursor is None:
        return None
    day, number = decode_cursor(cursor, str, int)
    try:
        return date.fromisoformat(str(day)), int(number)
    except ValueError as error:
        raise Invalid.at("cursor", "this is not a cursor that this list has given") from error


def _views(session: Session, site: str | None, at: datetime, by: Actor) -> Mapping[int, SiteView]:
    chosen = sites.sites(session, by=by)
    if site is not None:
        chosen = [sites.site_by_code(session, site, by=by)]
    return {each.id or 0: sites.view_of(session, each, at=at) for each in chosen}


@batches.get("/{batch}")
def get_batch(batch: Number, session: ReadSession, at: Now, by: MayLook) -> SupplementBatchOut:
    """One batch."""
    row = queries.row_by_id(session, batch, by=by)
    product = session.get_one(SupplementProduct, row.product_id)
    return batch_out(row, product, sites.view(session, row.site_id, at=at), at)


@batches.get("/{batch}/movements")
def list_movements(
    batch: Number, session: ReadSession, by: MayLook, limit: Limit = 200, cursor: Cursor = None
) -> Page[SupplementMovementOut]:
    """What came to a batch and went, newest first; it adds up to what is left."""
    before = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    row = queries.row_by_id(session, batch, by=by)
    found = queries.movements(session, row.id or 0, limit=limit + 1, before_id=before)
    more = encode_cursor(found[limit - 1].id or 0) if len(found) > limit else None
    return Page(items=[movement_out(movement) for movement in found[:limit]], next=more)


@batches.post("/{batch}/receipts", status_code=201)
def receive_more(
    batch: Number, new: SupplementReceiptIn, session: WriteSession, at: Now, by: MayReceive
) -> SupplementStockOut:
    """More of a batch that came before."""
    return booked_out(session, actions.receive_more(session, batch, new, at=at, by=by), at)


@batches.post("/{batch}/counts", status_code=201)
def count(
    batch: Number, new: SupplementCountIn, session: WriteSession, at: Now, by: MayCount
) -> SupplementStockOut:
    """Bring the books to what somebody counted."""
    return booked_out(session, actions.count(session, batch, new, at=at, by=by), at)


@batches.post("/{batch}/discard", status_code=201)
def discard(
    batch: Number, order: SupplementDiscardIn, session: WriteSession, at: Now, by: MayCount
) -> SupplementStockOut:
    """Throw some or all of a batch away."""
    return booked_out(session, actions.discard(session, batch, order, at=at, by=by), at)


@movements.post("/{movement}/reversal", status_code=201)
def reverse(
    movement: Number, order: ReversalIn, session: WriteSession, at: Now, by: MayReverse
) -> SupplementStockOut:
    """Take a receipt, a count or a discard back; what was given is corrected as giving."""
    return booked_out(session, actions.reverse(session, movement, order, at=at, by=by), at)


@stock.get("")
def list_stock(
    session: ReadSession, at: Now, by: MayLook, site: str | None = None
) -> Page[SupplementOnHand]:
    """What each site has of each product that it keeps, and for how long it lasts."""
    views: Sequence[SiteView] = list(_views(session, site, at, by).values())
    return Page(
        items=[
            on_hand_out(view, each)
            for view in views
            for each in queries.on_hand(session, view, at=at)
        ]
    )
