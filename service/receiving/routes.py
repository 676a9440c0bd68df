"""Deliveries: receiving one, and looking at what was found."""

from collections.abc import Sequence
from typing import Annotated

from fastapi import APIRouter, Query

from service.decisions import Decision, Finding
from service.http.bodies import Cursor, Limit, Number, Page, decode_cursor, encode_cursor
from service.http.sessions import Now, ReadSession, WriteSession
from service.lots.models import Lot
from service.lots.rules import LotStatus
from service.quantities import Units
from service.receiving import queries
from service.receiving.actions import arriving
from service.receiving.models import Delivery, DeliveryDocument
from service.receiving.schemas import DeliveryIn, DeliveryOut, DocumentOut, ReceivedLot
from service.security.guard import MayLook, MayReceive, guarded_router
from service.site import queries as sites

router: APIRouter = guarded_router("/deliveries", "receiving")


@router.post("", status_code=201)
def receive(delivery: DeliveryIn, session: WriteSession, at: Now, by: MayReceive) -> DeliveryOut:
    """A truck is here: its lots, accepted or held, with every finding."""
    stored, received = arriving.receive(session, delivery, at=at, by=by)
    units = sites.view(session, stored.site_id, at=at).units
    papers = queries.documents(session, [stored.id or 0])
    lots = [(r.lot, r.findings) for r in received]
    return _out(stored, delivery.supplier, lots, papers.get(stored.id or 0, []), units)


@router.get("")
def list_deliveries(
    session: ReadSession,
    at: Now,
    by: MayLook,
    order_number: Annotated[str | None, Query(max_length=60)] = None,
    limit: Limit = 50,
    cursor: Cursor = None,
) -> Page[DeliveryOut]:
    """Deliveries, newest first, as they were received. Lots show their status on arrival.

    order_number: those of one order, however many trucks it took.
    """
    last = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    seen = sites.sites(session, by=by)
    rows = queries.deliveries(
        session,
        [s.id or 0 for s in seen],
        limit=limit + 1,
        before_id=last,
        order_number=order_number,
    )
    units = {site.id: sites.view_of(session, site, at=at).units for site in seen}
    shown = rows[:limit]
    numbers = [d.id or 0 for d, _ in shown]
    lots = queries.lots_received(session, numbers)
    papers = queries.documents(session, numbers)
    more = encode_cursor(rows[limit - 1][0].id or 0) if len(rows) > limit else None
    return Page(
        items=[
            _out(d, code, lots.get(n, []), papers.get(n, []), units[d.site_id])
            for n, (d, code) in zip(numbers, shown, strict=True)
        ],
        next=more,
    )


@router.get("/{delivery}")
def get_delivery(delivery: Number, session: ReadSession, at: Now, by: MayLook) -> DeliveryOut:
    """One delivery as it was received, with every finding."""
    found, supplier = queries.delivery_by_id(session, delivery, by=by)
    units = sites.view(session, found.site_id, at=at).units
    lots = queries.lots_received(session, [delivery])
    papers = queries.documents(session, [delivery])
    return _out(found, supplier, lots.get(delivery, []), papers.get(delivery, []), units)


def _out(
    delivery: Delivery,
    supplier: str,
    lots: Sequence[tuple[Lot, tuple[Finding, ...]]],
    papers: Sequence[DeliveryDocument],
    units: Units,
) -> DeliveryOut:
    vehicle = delivery.vehicle_c
    return DeliveryOut(
        id=delivery.id or 0,
        supplier=supplier,
        arrived_at=delivery.arrived_at,
        vehicle_temperature=None if vehicle is None else units.temperature_out(vehicle),
        order_number=delivery.order_number,
        opening=delivery.opening,
        documents=[DocumentOut.model_validate(paper) for paper in papers],
        lots=[
            ReceivedLot(
                code=lot.code,
                species=lot.species_code,
                cartons=lot.cartons,
                status=LotStatus.HELD if Decision(found).blocking() else LotStatus.ACCEPTED,
                mass=units.mass_out(lot.grams),
                findings=list(found),
            )
            for lot, found in lots
        ],
    )
