"""Stock, moves, counts. Reversals are answered in feeding, which sums what was eaten."""

from typing import Any

from fastapi import APIRouter
from sqlalchemy import Row
from sqlmodel import Session

from service.http.bodies import Cursor, Limit, Number, Page, decode_cursor, encode_cursor
from service.http.sessions import Now, ReadSession, WriteSession
from service.ledger import queries
from service.ledger.actions import removing
from service.ledger.actions import stock as actions
from service.ledger.actions.removing import Removed
from service.ledger.schemas import (
    CondemnationIn,
    CountIn,
    CountOut,
    GivenUp,
    MoveIn,
    MovementOut,
    MoveOut,
    RemovalOut,
    StockRow,
    SupplierReturnIn,
)
from service.lots import queries as lots
from service.lots.schemas import HoldOut
from service.quantities import Units
from service.security.guard import (
    MayCondemn,
    MayCount,
    MayLook,
    MayMove,
    MayReject,
    guarded_router,
)
from service.site import queries as sites

stock: APIRouter = guarded_router("/stock", "stock")
moves: APIRouter = guarded_router("/moves", "stock")
counts: APIRouter = guarded_router("/counts", "stock")
movements: APIRouter = guarded_router("/movements", "stock")
lots_out: APIRouter = guarded_router("/lots", "stock")
routers = (stock, moves, counts, movements, lots_out)


@stock.get("")
def list_stock(
    session: ReadSession,
    at: Now,
    by: MayLook,
    species: str | None = None,
    place: str | None = None,
    lot: str | None = None,
    limit: Limit = 200,
    cursor: Cursor = None,
) -> Page[StockRow]:
    """What is on hand, parcel by parcel, and what of it nobody has reserved."""
    after = int(decode_cursor(cursor, int)[0]) if cursor is not None else 0
    rows = queries.stock_rows(
        session,
        site_ids=sites.sites_seen(session, by=by),
        now=at,
        species=species,
        place_id=sites.place_by_code(session, place, by=by, field="place").id if place else None,
        lot_id=lots.lot_by_code(session, lot, by=by).id if lot else None,
        after_id=after,
        limit=limit + 1,
    )
    units = {s.id: sites.view_of(session, s, at=at).units for s in sites.sites(session, by=by)}
    more = encode_cursor(rows[limit - 1].id) if len(rows) > limit else None
    return Page(items=[_stock_row(row, units[row.site_id]) for row in rows[:limit]], next=more)


def _stock_row(row: Row[Any], units: Units) -> StockRow:
    return StockRow(
        lot=row.lot,
        species=row.species_code,
        place=row.place,
        parcel=row.id,
        thaw_batch=row.thaw_batch,
        mass=units.mass_out(row.grams),
        since=row.opened_at,
        available=units.mass_out(max(0, row.grams - int(row.reserved))),
        cartons=row.cartons,
    )


@moves.post("", status_code=201)
def move(order: MoveIn, session: WriteSession, at: Now, by: MayMove) -> MoveOut:
    """Fish of one lot to another place; blocks as whole cartons."""
    movement, breaches = actions.move(session, order, at=at, by=by)
    return MoveOut(movement=queries.movement_out(session, movement), breaches=list(breaches))


@counts.post("", status_code=201)
def count(order: CountIn, session: WriteSession, at: Now, by: MayCount) -> CountOut:
    """Bring the books to what somebody counted."""
    movement, difference = actions.count(session, order, at=at, by=by)
    units = sites.view(session, movement.site_id, at=at).units
    shown = units.mass_out(abs(difference))
    sign = -1 if difference < 0 else 1
    signed = shown.model_copy(update={"value": sign * shown.value, "g": difference})
    return CountOut(movement=queries.movement_out(session, movement), difference=signed)


@movements.get("/{movement}")
def get_movement(movement: Number, session: ReadSession, by: MayLook) -> MovementOut:
    """One event in the ledger with its transfers."""
    return queries.movement_out(session, queries.movement_by_id(session, movement, by=by))


@lots_out.post("/{lot}/condemnation", status_code=201)
def condemn(
    lot: str, order: CondemnationIn, session: WriteSession, at: Now, by: MayCondemn
) -> RemovalOut:
    """Nobody may eat this fish: it is thrown away, and what is left of the lot is held."""
    return _removal_out(session, removing.condemn(session, lot, order, at=at, by=by))


@lots_out.post("/{lot}/return", status_code=201)
def give_back(
    lot: str, order: SupplierReturnIn, session: WriteSession, at: Now, by: MayReject
) -> RemovalOut:
    """Frozen fish goes back to its supplier; never what has left the freezer to thaw."""
    return _removal_out(session, removing.give_back(session, lot, order, at=at, by=by))


def _removal_out(session: Session, removed: Removed) -> RemovalOut:
    lot, hold = removed.lot, removed.hold
    units = sites.view(session, lot.site_id, at=removed.movement.recorded_at).units
    return RemovalOut(
        lot=lot.code,
        movement=queries.movement_out(session, removed.movement),
        left=units.mass_out(removed.left_g),
        hold=hold and HoldOut(lot=lot.code, **hold.model_dump(exclude={"lot_id"})),
        given_up=[
            GivenUp(thaw_request=request, mass=units.mass_out(grams))
            for request, grams in removed.given_up.items()
        ],
        breaches=list(removed.breaches),
    )
