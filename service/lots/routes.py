"""Holds and rejection of a lot."""

from fastapi import APIRouter

from service.http.bodies import Number
from service.http.sessions import Now, WriteSession
from service.lots import actions, queries
from service.lots.models import Hold, Lot
from service.lots.schemas import (
    HoldIn,
    HoldOut,
    RejectionIn,
)
from service.security.guard import MayHold, MayReject, MayRelease, guarded_router

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


def _hold_out(hold: Hold, lot: Lot) -> HoldOut:
    return HoldOut(lot=lot.code, **hold.model_dump(exclude={"lot_id"}))
