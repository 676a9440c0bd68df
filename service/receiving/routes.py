"""Receiving a delivery."""

from fastapi import APIRouter

from service.http.sessions import Now, WriteSession
from service.lots.rules import LotStatus
from service.receiving import actions
from service.receiving.schemas import DeliveryIn, DeliveryOut, ReceivedLot
from service.security.guard import MayReceive, guarded_router
from service.site import queries as sites

router: APIRouter = guarded_router("/deliveries", "receiving")


@router.post("", status_code=201)
def receive(delivery: DeliveryIn, session: WriteSession, at: Now, by: MayReceive) -> DeliveryOut:
    """A truck is here: its lots, accepted or held, with every finding."""
    stored, received = actions.receive(session, delivery, at=at, by=by)
    units = sites.view(session, stored.site_id, at=at).units
    vehicle = stored.vehicle_c
    return DeliveryOut(
        id=stored.id or 0,
        supplier=delivery.supplier,
        arrived_at=stored.arrived_at,
        vehicle_temperature=None if vehicle is None else units.temperature_out(vehicle),
        lots=[
            ReceivedLot(
                code=r.lot.code,
                species=r.lot.species_code,
                cartons=r.lot.cartons,
                status=LotStatus.HELD if r.held else LotStatus.ACCEPTED,
                mass=units.mass_out(r.lot.grams),
                findings=list(r.findings),
            )
            for r in received
        ],
    )
