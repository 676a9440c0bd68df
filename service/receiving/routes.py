"""Deliveries: receiving one, and looking at what was found."""

from collections.abc import Sequence

from fastapi import APIRouter

from service.decisions import Decision, Finding
from service.http.bodies import Cursor, Limit, Number, Page, decode_cursor, encode_cursor
from service.http.sessions import Now, ReadSession, WriteSession
from service.lots.models import Lot
from service.lots.rules import LotStatus
from service.quantities import Units
from service.receiving import actions, queries
from service.receiving.models import Delivery
from service.receiving.schemas import DeliveryIn, DeliveryOut, ReceivedLot
from service.security.guard import MayLook, MayReceive, guarded_router
from service.site import queries as sites

router: APIRouter = guarded_router("/deliveries", "receiving")


@router.post("", status_code=201)
def receive(delivery: DeliveryIn, session: WriteSession, at: Now, by: MayReceive) -> DeliveryOut:
    """A truck is here: its lots, accepted or held, with every finding."""
    stored, received = actions.receive(session, delivery, at=at, by=by)
    units = sites.view(session, stored.site_id, at=at).units
    return _out(stored, delivery.supplier, [(r.lot, r.findings) for r in received], units)


@router.get("")
def list_deliveries(
    session: ReadSession, at: Now, by: MayLook, limit: Limit = 50, cursor: Cursor = None
) -> Page[DeliveryOut]:
    """Deliveries, newest first, as they were received. Lots show their status on arrival."""
    last = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    seen = sites.sites(session, by=by)
    rows = queries.deliveries(session, [s.id or 0 for s in seen], limit=limit + 1, before_id=last)
    units = {site.id: sites.view_of(session, site, at=at).units for site in seen}
    shown = rows[:limit]
    lots = queries.lots_received(session, [d.id or 0 for d, _ in shown])
    more = encode_cursor(rows[limit - 1][0].id or 0) if len(rows) > limit else None
    return Page(
        items=[_out(d, code, lots.get(d.id or 0, []), units[d.site_id]) for d, code in shown],
        next=more,
    )


@router.get("/{delivery}")
def get_delivery(delivery: Number, session: ReadSession, at: Now, by: MayLook) -> DeliveryOut:
    """One delivery as it was received, with every finding."""
    found, supplier = queries.delivery_by_id(session, delivery, by=by)
    units = sites.view(session, found.site_id, at=at).units
    lots = queries.lots_received(session, [delivery])
    return _out(found, supplier, lots.get(delivery, []), units)


def _out(
    delivery: Delivery,
    supplier: str,
    lots: Sequence[tuple[Lot, tuple[Finding, ...]]],
    units: Units,
) -> DeliveryOut:
    vehicle = delivery.vehicle_c
    return DeliveryOut(
        id=delivery.id or 0,
        supplier=supplier,
        arrived_at=delivery.arrived_at,
        vehicle_temperature=None if vehicle is None else units.temperature_out(vehicle),
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
