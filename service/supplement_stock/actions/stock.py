"""What the commissary does with supplements: receives, counts, throws away, takes back."""

from dataclasses import dataclass
from datetime import date, datetime

from sqlmodel import Session

from service.catalogue.models import SupplementProduct
from service.catalogue.queries import supplement_product_by_code
from service.catalogue.rules import COUNTED_IN, DoseForm
from service.catalogue.schemas import strength_of
from service.decisions import Decision, Finding
from service.errors import Conflict, Invalid
from service.http.bodies import refuse_future
from service.ledger.schemas import ReversalIn
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites
from service.site.queries import SiteView
from service.site.rules import finding
from service.supplement_stock import queries
from service.supplement_stock.actions.posting import Movement, post
from service.supplement_stock.models import SupplementBatch, SupplementMovement
from service.supplement_stock.rules import (
    LONGEST_LIFE,
    Kind,
    balance,
    key_of,
    no_such_batch,
    pieces,
    stock_milli,
)
from service.supplement_stock.schemas import (
    SupplementBatchIn,
    SupplementCountIn,
    SupplementDiscardIn,
    SupplementReceiptIn,
)


@dataclass(frozen=True)
class Booked:
    """A movement that was booked, its batch as it now stands, and what a fact went against."""

    movement: SupplementMovement
    batch: SupplementBatch
    breaches: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class _Held:
    """A batch, locked, and when and where something happens to it."""

    row: SupplementBatch
    product: SupplementProduct
    view: SiteView
    occurred_at: datetime

    @property
    def day(self) -> date:
        """The site's civil day."""
        return self.view.day_of(self.occurred_at)

    def milli(self, count: float, field: str) -> int:
        """What somebody counted. Raises Invalid for parts of pieces that nobody counts."""
        return _milli(self.product, count, field)


def receive(session: Session, new: SupplementBatchIn, *, at: datetime, by: Actor) -> Booked:
    """A batch that came, with the strength printed on it.

    One that has expired already is stored, and never given. Raises NotFound, Invalid for
    contents that are not of that product, Conflict where the batch is known: more of it is
    another receipt.
    """
    refuse_future(new.occurred_at, now=at)
    product = supplement_product_by_code(session, new.product, field="product")
    site = sites.site_or_only(session, new.site, by=by)
    view = sites.view_of(session, site, at=at)
    occurred_at = sites.happened_at(session, view.id, new.occurred_at, now=at)
    if new.expires_on - view.day_of(at) > LONGEST_LIFE:
        raise Invalid.at("expires_on", "lies more than ten years ahead: read the label again")
    milli = _milli(product, new.received, "received")
    contents = _contents(product, new)
    queries.lock_product(session, product.id or 0)
    known = queries.row_by_code(session, view.id, product.id or 0, new.code)
    if known is not None:
        raise Conflict(
            f"batch {known.code} of {product.code} is known as number {known.id}",
            kind="already-exists",
            advice=f"More of it is another receipt: POST /v1/supplement-batches/{known.id}"
            "/receipts.",
            extra={"batch": known.id},
        )
    row = SupplementBatch(
        site_id=view.id,
        product_id=product.id or 0,
        code=new.code,
        key=key_of(new.code),
        expires_on=new.expires_on,
        contents=contents,
        price=product.price if new.price is None else new.price,
        currency=product.currency if new.price is None else new.currency,
        left_milli=0,
        last_at=occurred_at,
        recorded_at=at,
        by=by.name,
    )
    session.add(row)
    session.flush()
    held = _Held(row, product, view, occurred_at)
    return _book(session, held, Kind.RECEIVED, milli, "supplement batch received", at=at, by=by)


def _contents(product: SupplementProduct, new: SupplementBatchIn) -> dict[str, float]:
    if new.contents is None:
        return dict(product.contents)
    contents = strength_of(DoseForm(product.form), new.contents)
    why = no_such_batch(contents, product.contents)
    if why is not None:
        raise Invalid.at("contents", why)
    return contents


def receive_more(
    session: Session, number: int, new: SupplementReceiptIn, *, at: datetime, by: Actor
) -> Booked:
    """More of a batch that came before. Raises NotFound."""
    held = _hold(session, number, new.occurred_at, at, by)
    milli = held.milli(new.received, "received")
    return _book(session, held, Kind.RECEIVED, milli, "supplements received", at=at, by=by)


def count(
    session: Session, number: int, new: SupplementCountIn, *, at: datetime, by: Actor
) -> Booked:
    """Bring the books to what somebody counted. Raises NotFound."""
    held = _hold(session, number, new.occurred_at, at, by)
    counted = held.milli(new.counted, "counted")
    return _book(
        session,
        held,
        Kind.COUNTED,
        0,
        "supplements counted",
        counted=counted,
        reason=new.reason,
        at=at,
        by=by,
    )


def discard(
    session: Session, number: int, order: SupplementDiscardIn, *, at: datetime, by: Actor
) -> Booked:
    """Throw some or all of a batch away.

    Raises NotFound, Conflict where nothing is left, RuleRefused `not-enough-stock`; more than
    is there that has been thrown away is a fact, and booked with a difference.
    """
    held = _hold(session, number, order.occurred_at, at, by)
    left = held.row.left_milli
    milli = left if order.count is None else held.milli(order.count, "count")
    if milli == 0:
        raise Conflict(f"nothing is left of batch {held.row.code}", kind="nothing-left")
    unit = COUNTED_IN[DoseForm(held.product.form)]
    short = finding(
        "not-enough-stock",
        "block" if milli > left else "pass",
        f"{pieces(milli):g} {unit} are to go, {pieces(left):g} are there",
        numbers={"wanted": pieces(milli), "there": pieces(left)},
    )
    breaches = site_actions.allow(
        session,
        Decision((short,)),
        order,
        site=held.view,
        subject=f"supplement batch {held.row.code}",
        occurred_at=held.occurred_at,
        at=at,
        by=by,
    )
    return _book(
        session,
        held,
        Kind.DISCARDED,
        -milli,
        "supplements discarded",
        reason=order.reason,
        breaches=breaches,
        at=at,
        by=by,
    )


def reverse(session: Session, number: int, order: ReversalIn, *, at: datetime, by: Actor) -> Booked:
    """Take a receipt, a count or a discard back, effective when it happened.

    Raises NotFound, Conflict: `already-reversed`; `part-of-giving` for what an animal was
    given, which is corrected there; `has-successors` for a receipt of what has gone since.
    """
    refuse_future(order.occurred_at, now=at)
    movement = queries.movement_by_id(session, number, by=by)
    held = _hold(session, movement.batch_id, order.occurred_at, at, by)
    _refuse_reversal(session, movement)
    return _book(
        session,
        _Held(held.row, held.product, held.view, movement.occurred_at),
        Kind.REVERSED,
        -movement.milli,
        "supplement movement reversed",
        reason=order.reason,
        reverses=movement,
        at=at,
        by=by,
    )


def _refuse_reversal(session: Session, movement: SupplementMovement) -> None:
    number = movement.id or 0
    settles = movement.kind == Kind.COUNTED and movement.counted_milli is None
    if movement.kind == Kind.REVERSED or settles or queries.is_reversed(session, number):
        raise Conflict(
            "this movement was taken back before, or only balances others",
            kind="already-reversed",
        )
    if movement.kind in (Kind.GIVEN, Kind.WASTED):
        raise Conflict(
            f"this movement is part of what was given ({movement.reference or 'no reference'})",
            kind="part-of-giving",
            advice="Correct what was given; the stock follows.",
        )
    known = queries.entries(session, [movement.batch_id]).get(movement.batch_id, [])
    without = [entry for entry in known if entry.number != number]
    if balance(without).short > balance(known).short:
        later = sorted(
            entry.number
            for entry in known
            if entry.milli < 0 and entry.occurred_at >= movement.occurred_at
        )
        raise Conflict(
            f"{len(later)} later movement(s) used what came with this one",
            kind="has-successors",
            advice="Take those back first, newest first, or count what is there.",
            extra={"successors": later},
        )


def _hold(session: Session, number: int, said: datetime | None, at: datetime, by: Actor) -> _Held:
    refuse_future(said, now=at)
    site_id = queries.row_by_id(session, number, by=by).site_id
    row = queries.locked(session, [number])[number]
    view = sites.view(session, site_id, at=at)
    product = session.get_one(SupplementProduct, row.product_id)
    return _Held(row, product, view, sites.happened_at(session, site_id, said, now=at))


def _milli(product: SupplementProduct, counted: float, field: str) -> int:
    try:
        return stock_milli(DoseForm(product.form), counted)
    except ValueError as error:
        raise Invalid.at(field, str(error)) from error


def _book(
    session: Session,
    held: _Held,
    kind: Kind,
    milli: int,
    what: str,
    *,
    at: datetime,
    by: Actor,
    counted: int | None = None,
    reason: str | None = None,
    reverses: SupplementMovement | None = None,
    breaches: tuple[Finding, ...] = (),
) -> Booked:
    new = Movement(
        batch_id=held.row.id or 0,
        kind=kind,
        occurred_at=held.occurred_at,
        day=held.day,
        milli=milli,
        counted_milli=counted,
        reason=reason,
        reverses_id=reverses.id if reverses else None,
    )
    (number,) = post(session, [held.row], [new], at=at, by=by.name)
    movement = session.get_one(SupplementMovement, number)
    audit.note(
        session,
        by,
        what,
        f"{held.product.code} {held.row.code}",
        at=at,
        site_id=held.view.id,
        after=movement,
        detail={"left": pieces(held.row.left_milli), "breaches": [b.rule for b in breaches]},
    )
    return Booked(movement, held.row, breaches)
