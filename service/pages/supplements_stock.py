"""The stock of supplements: batches by expiry, what is left, receive, count, throw away."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated

from fastapi import Query, Response

from service.catalogue.models import SupplementProduct
from service.catalogue.queries import supplement_products, supplement_products_by_id
from service.http.bodies import Number
from service.http.sessions import Now, WriteSession
from service.ledger.schemas import ReversalIn
from service.pages.forms import Form
from service.pages.page import OnScreen, Screen, go_to, local_path, page_router
from service.pages.supplements_shown import figure, nutrient_name, unit
from service.pages.words import _
from service.security.guard import MayCount, MayLook, MayReceive, MayReverse
from service.security.rules import Action
from service.supplement_stock import queries
from service.supplement_stock.actions import stock as actions
from service.supplement_stock.actions.showing import batch_out, movement_out, on_hand_out
from service.supplement_stock.actions.stock import Booked
from service.supplement_stock.rules import Kind, State
from service.supplement_stock.schemas import (
    SupplementBatchIn,
    SupplementBatchOut,
    SupplementCountIn,
    SupplementDiscardIn,
    SupplementMovementOut,
    SupplementOnHand,
    SupplementReceiptIn,
)
from service.supplements.rules.steps import counted, said

router = page_router("/supplements/stock")
ON_A_PAGE = 50

STATES = {
    State.USABLE: _("Usable"),
    State.EXPIRES_SOON: _("Expires soon"),
    State.EXPIRED: _("Expired: do not give"),
    State.USED_UP: _("Used up"),
}
KINDS = {
    Kind.RECEIVED: _("Received"),
    Kind.GIVEN: _("Given"),
    Kind.WASTED: _("Wasted"),
    Kind.DISCARDED: _("Thrown away"),
    Kind.COUNTED: _("Counted"),
    Kind.REVERSED: _("Taken back"),
}
UNITS = ("mg", "IU", "ug", "g")


@dataclass(frozen=True)
class BatchShown:
    """A batch and what is left of it."""

    batch: SupplementBatchOut
    name: str
    word: str
    left: str
    contents: str


@dataclass(frozen=True)
class OnHandShown:
    """What there is of a product, and for how long it lasts."""

    stock: SupplementOnHand
    usable: str
    expired: str | None
    a_day: str


@dataclass(frozen=True)
class StockShown:
    """What the page of the stock shows."""

    on_hand: Sequence[OnHandShown]
    batches: Sequence[BatchShown]
    next: str | None
    """Where the page after this one begins: the last expiry and number."""
    products: Sequence[tuple[str, str]]
    states: Sequence[tuple[str, str]]
    state: State | None
    may_receive: bool
    may_name_products: bool


@dataclass(frozen=True)
class MovementShown:
    """What came to a batch or went."""

    row: SupplementMovementOut
    word: str
    amount: str
    reversible: bool


@dataclass(frozen=True)
class BatchPage:
    """What the page of one batch shows."""

    shown: BatchShown
    movements: Sequence[MovementShown]
    before: int | None
    """The number from which older movements are shown."""
    may_receive: bool
    may_count: bool
    may_reverse: bool


@router.get("")
def stock(
    screen: OnScreen,
    by: MayLook,
    state: State | None = None,
    after: Annotated[date | None, Query()] = None,
    number: Annotated[Number, Query()] = 0,
) -> Response:
    """What there is of each product, and the batches, the first to expire first."""
    view, at = screen.view, screen.at
    rows = queries.batches(
        screen.session,
        [view],
        at=at,
        state=state,
        after=None if after is None else (after, number),
        limit=ON_A_PAGE + 1,
    )
    products = supplement_products_by_id(screen.session, [row.product_id for row in rows])
    shown = rows[:ON_A_PAGE]
    last = shown[-1] if len(rows) > ON_A_PAGE else None
    return screen.show(
        "supplements_stock.html",
        StockShown(
            on_hand=_on_hand(screen),
            batches=[
                _batch(batch_out(row, products[row.product_id], view, at), products[row.product_id])
                for row in shown
            ],
            next=None if last is None else f"after={last.expires_on}&number={last.id}",
            products=[(each.code, each.name) for each in supplement_products(screen.session)],
            states=[(str(key), word) for key, word in STATES.items()],
            state=state,
            may_receive=screen.may(Action.RECEIVE),
            may_name_products=screen.may(Action.SET_REQUIREMENTS),
        ),
    )


@router.post("")
def receive(
    form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayReceive
) -> Response:
    """A batch that came."""
    new = form.read(SupplementBatchIn, screen.view.zone, site=screen.view.code)
    return _booked(screen, actions.receive(session, new, at=at, by=by))


@router.get("/{batch}")
def batch_page(
    batch: Number, screen: OnScreen, by: MayLook, before: Number | None = None
) -> Response:
    """One batch, and all that came to it and went."""
    row = queries.row_by_id(screen.session, batch, by=by)
    product = screen.session.get_one(SupplementProduct, row.product_id)
    screen = screen.at_site(row.site_id)
    found = queries.movements(screen.session, batch, limit=ON_A_PAGE + 1, before_id=before)
    shown = _batch(batch_out(row, product, screen.view, screen.at), product)
    moved = [movement_out(each) for each in found[:ON_A_PAGE]]
    return screen.show(
        "supplements_stock_batch.html",
        BatchPage(
            shown=shown,
            movements=[_movement(each, shown.batch.counted_in, moved) for each in moved],
            before=moved[-1].id if len(found) > ON_A_PAGE else None,
            may_receive=screen.may(Action.RECEIVE),
            may_count=screen.may(Action.COUNT),
            may_reverse=screen.may(Action.REVERSE),
        ),
    )


@router.post("/{batch}/receipts")
def receive_more(
    batch: Number, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayReceive
) -> Response:
    """More of a batch that came before."""
    new = form.read(SupplementReceiptIn, screen.view.zone)
    return _booked(screen, actions.receive_more(session, batch, new, at=at, by=by))


@router.post("/{batch}/counts")
def count(
    batch: Number, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayCount
) -> Response:
    """Bring the books to what somebody counted."""
    new = form.read(SupplementCountIn, screen.view.zone)
    return _booked(screen, actions.count(session, batch, new, at=at, by=by))


@router.post("/{batch}/discard")
def discard(
    batch: Number, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayCount
) -> Response:
    """Throw some or all of a batch away."""
    order = form.read(SupplementDiscardIn, screen.view.zone)
    return _booked(screen, actions.discard(session, batch, order, at=at, by=by))


@router.post("/movements/{movement}/reversal")
def reverse(
    movement: Number, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayReverse
) -> Response:
    """Take a receipt, a count or a discard back."""
    order = form.read(ReversalIn, screen.view.zone)
    return _booked(screen, actions.reverse(session, movement, order, at=at, by=by))


def _booked(screen: Screen, booked: Booked) -> Response:
    said = screen.write.say("Booked.")
    if booked.breaches:
        said += " " + "; ".join(breach.because for breach in booked.breaches)
    return go_to(local_path(f"/supplements/stock/{booked.batch.id}"), said=said)


def _on_hand(screen: Screen) -> list[OnHandShown]:
    found = queries.on_hand(screen.session, screen.view, at=screen.at)
    shown = [on_hand_out(screen.view, each) for each in found]
    return [
        OnHandShown(
            stock=each,
            usable=counted(each.usable, each.counted_in),
            expired=counted(each.expired, each.counted_in) if each.expired else None,
            a_day=said(round(each.used_per_day, 1)),
        )
        for each in shown
    ]


def _batch(batch: SupplementBatchOut, product: SupplementProduct) -> BatchShown:
    return BatchShown(
        batch=batch,
        name=product.name,
        word=STATES[batch.state],
        left=counted(batch.left, batch.counted_in),
        contents=", ".join(
            f"{nutrient_name(each.nutrient)} {figure(each.amount)} {unit(each.unit)}"
            for each in batch.contents
        ),
    )


def _movement(
    row: SupplementMovementOut, counted_in: str, among: Sequence[SupplementMovementOut]
) -> MovementShown:
    undone = any(other.reverses == row.id for other in among)
    kinds = (Kind.RECEIVED, Kind.COUNTED, Kind.DISCARDED)
    settles = row.kind == Kind.COUNTED and row.counted is None
    return MovementShown(
        row=row,
        word=KINDS[row.kind],
        amount=f"{'+' if row.count > 0 else '−'}{counted(abs(row.count), counted_in)}",
        reversible=row.kind in kinds and not undone and not settles,
    )
