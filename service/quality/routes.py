"""Lots with their stock, and their quality."""

from collections.abc import Sequence
from datetime import date
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request, Response
from sqlalchemy import Row

from service.errors import Invalid, NotFound
from service.http.answers import as_shown
from service.http.bodies import Cursor, Limit, Moment, Page, decode_cursor, encode_cursor
from service.http.sessions import Now, ReadSession, database_of, instant_of_asking
from service.lots import queries as lots
from service.quality.queries import listing
from service.quality.queries.quality import quality_of
from service.quality.schemas import LotDetail, LotRow, QualityOut
from service.security.guard import MayLook, guarded_router

router: APIRouter = guarded_router("/lots", "lots")


@router.get("", response_model=Page[LotRow])
async def list_lots(
    request: Request,
    by: MayLook,
    species: str | None = None,
    order: Annotated[
        Literal["number", "use_first"],
        Query(description="use_first: in the order in which fish must be used."),
    ] = "number",
    limit: Limit = 50,
    cursor: Cursor = None,
) -> Response:
    """Lots with what is on hand. use_first leaves out used-up and rejected ones."""
    use_first = order == "use_first"
    after = _after(cursor, use_first) if cursor is not None else None
    with database_of(request).reader.connect() as connection:
        rows = listing.page(
            connection, by=by, species=species, use_first=use_first, limit=limit + 1, after=after
        )
    at = instant_of_asking(request)
    shown = [listing.lot_row(row, at) for row in rows[:limit]]
    return as_shown({"items": shown, "next": _next(rows, limit, use_first)})


def _next(rows: Sequence[Row[Any]], limit: int, use_first: bool) -> str | None:
    if len(rows) <= limit:
        return None
    last = rows[limit - 1]
    if not use_first:
        return encode_cursor(last.lot_id)
    return encode_cursor((last.age_from or listing.NO_DATE).isoformat(), last.lot_id)


def _after(cursor: str, use_first: bool) -> tuple[date, int] | int:
    if not use_first:
        return int(decode_cursor(cursor, int)[0])
    age, number = decode_cursor(cursor, str, int)
    try:
        return date.fromisoformat(str(age)), int(number)
    except ValueError as error:
        raise Invalid.at("cursor", "this is not a cursor that this list has given") from error


@router.get("/{lot}", response_model=LotDetail)
async def get_lot(lot: str, request: Request, by: MayLook) -> Response:
    """One lot: where it stands, what is on hand by place, its holds."""
    with database_of(request).reader.connect() as connection:
        rows = listing.lot_rows(connection, lot)
        if not rows:
            raise NotFound.of("lot", lot, "lot")
        first = rows[0]
        by.ensure_site(first.site_id)
        holds = listing.holds_of(connection, first.lot_id) if first.has_holds else ()
    units = listing.units_of(first.mass_unit)
    places = [
        {"place": row.place, "mass": listing.mass_shown(units, int(row.place_grams))}
        for row in rows
        if row.place is not None
    ]
    return as_shown(
        listing.lot_row(first, instant_of_asking(request))
        | {"places": places, "holds": [row._asdict() for row in holds]}
    )


@router.get("/{lot}/quality")
def get_quality(
    lot: str,
    session: ReadSession,
    now: Now,
    by: MayLook,
    at: Annotated[Moment | None, Query(description="Left out: now.")] = None,
) -> QualityOut:
    """Age, storage life used, nutrients left and exposure of a lot's worst parcel on hand."""
    found = lots.lot_by_code(session, lot, by=by)
    instant = now if at is None else at
    if instant > now:
        raise Invalid.at("at", "lies in the future: quality is what has happened")
    if instant < found.arrived_at:
        raise Invalid.at("at", "lies before the lot arrived")
    return quality_of(session, found, at=instant)
