"""Holds, rejection and assays of a lot."""

from fastapi import APIRouter

from service.catalogue.rules import Basis, nutrients
from service.http.bodies import Number
from service.http.sessions import Now, WriteSession
from service.lots import actions, queries
from service.lots.models import AssayValue, Hold, Lot
from service.lots.rules import Portion
from service.lots.schemas import (
    AssayIn,
    AssayOut,
    AssayValueOut,
    HoldIn,
    HoldOut,
    RejectionIn,
)
from service.security.guard import MayAssay, MayHold, MayReject, MayRelease, guarded_router

lots: APIRouter = guarded_router("/lots", "lots")
holds: APIRouter = guarded_router("/holds", "lots")
routers = (lots, holds)


@lots.post("/{lot}/holds", status_code=201)
def place_hold(lot: str, hold: HoldIn, session: WriteSession, at: Now, by: MayHold) -> HoldOut:
    """Nobody may use this lot until the hold is released."""
    found = queries.lot_by_code(session, lot, by=by)
    placed = actions.place_hold(session, found, hold.reason, at=at, by=by, said=hold.occurred_at)
    return _hold_out(placed, found)


@holds.post("/{hold}/release")
def release_hold(
    hold: Number, release: HoldIn, session: WriteSession, at: Now, by: MayRelease
) -> HoldOut:
    """End a hold, with a reason."""
    released = actions.release_hold(session, hold, release, at=at, by=by)
    return _hold_out(released, session.get_one(Lot, released.lot_id))


@lots.post("/{lot}/rejection", status_code=201)
def reject(
    lot: str, rejection: RejectionIn, session: WriteSession, at: Now, by: MayReject
) -> dict[str, str]:
    """A person decides that a lot is not taken in."""
    rejected = actions.reject(session, lot, rejection, at=at, by=by)
    return {"code": rejected.code, "status": "rejected"}


@lots.post("/{lot}/assays", status_code=201)
def record_assay(
    lot: str, assay: AssayIn, session: WriteSession, at: Now, by: MayAssay
) -> AssayOut:
    """A laboratory's results of one sample of a lot."""
    stored = actions.record_assay(session, lot, assay, at=at, by=by)
    values = queries.assay_values(session, stored.id or 0)
    return AssayOut(
        id=stored.id or 0,
        lot=queries.lot_by_code(session, lot, by=by).code,
        sampled_on=stored.sampled_on,
        laboratory=stored.laboratory,
        portion=Portion(stored.portion),
        values=[_value_out(value) for value in values],
    )


def _value_out(value: AssayValue) -> AssayValueOut:
    return AssayValueOut(
        nutrient=value.nutrient,
        amount=value.as_fed,
        unit=nutrients()[value.nutrient].unit,
        reported=value.reported,
        reported_unit=value.unit,
        basis=Basis(value.basis),
    )


def _hold_out(hold: Hold, lot: Lot) -> HoldOut:
    return HoldOut(lot=lot.code, **hold.model_dump(exclude={"lot_id"}))
