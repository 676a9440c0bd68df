"""Supplement batches and what is on hand, as they are shown."""

from datetime import datetime
from math import inf

from sqlmodel import Session

from service.catalogue.models import SupplementProduct
from service.catalogue.rules import COUNTED_IN, DoseForm
from service.catalogue.schemas import strength_out
from service.site import queries as sites
from service.site.queries import SiteView
from service.supplement_stock import queries
from service.supplement_stock.actions.stock import Booked
from service.supplement_stock.models import SupplementBatch, SupplementMovement
from service.supplement_stock.queries import OnHand
from service.supplement_stock.rules import Kind, expiry, pieces, state_of, unlike_product
from service.supplement_stock.schemas import (
    SupplementBatchOut,
    SupplementMovementOut,
    SupplementOnHand,
    SupplementStockOut,
)


def booked_out(session: Session, booked: Booked, at: datetime) -> SupplementStockOut:
    """What was booked, and the batch as it now stands. Two queries."""
    row = booked.batch
    product = session.get_one(SupplementProduct, row.product_id)
    view = sites.view(session, row.site_id, at=at)
    return SupplementStockOut(
        movement=movement_out(booked.movement),
        batch=batch_out(row, product, view, at),
        breaches=list(booked.breaches),
    )


def movement_out(row: SupplementMovement) -> SupplementMovementOut:
    """What came to a batch or went, as it is shown."""
    return SupplementMovementOut(
        id=row.id or 0,
        batch=row.batch_id,
        kind=Kind(row.kind),
        count=pieces(row.milli),
        counted=None if row.counted_milli is None else pieces(row.counted_milli),
        occurred_at=row.occurred_at,
        day=row.day,
        recorded_at=row.recorded_at,
        by=row.by,
        reason=row.reason,
        reference=row.reference,
        reverses=row.reverses_id,
    )


def batch_out(
    row: SupplementBatch, product: SupplementProduct, view: SiteView, at: datetime
) -> SupplementBatchOut:
    """A batch with its state and what is to be known before it is given."""
    batch, today = queries.batch_of(row), view.day_of(at)
    return SupplementBatchOut(
        id=batch.id,
        site=view.code,
        product=product.code,
        code=batch.code,
        expires_on=batch.expires_on,
        state=state_of(batch, today, view.policy),
        counted_in=COUNTED_IN[DoseForm(product.form)],
        left=batch.left,
        contents=strength_out(batch.contents),
        price=batch.price,
        currency=batch.currency,
        findings=[
            *expiry(batch, today, view.policy),
            *unlike_product(batch, product.contents),
        ],
    )


def on_hand_out(view: SiteView, each: OnHand) -> SupplementOnHand:
    """What a site has of a product, as it is shown."""
    return SupplementOnHand(
        site=view.code,
        product=each.product,
        name=each.name,
        counted_in=each.counted_in,
        usable=each.usable,
        expired=sum(batch.left for batch in each.batches) - each.usable,
        next_batch=each.next_batch.id if each.next_batch else None,
        used_per_day=round(each.used_per_day, 3),
        days_left=None if each.days_left == inf else round(each.days_left, 1),
    )
