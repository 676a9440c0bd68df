"""Lots with their stock, and their quality."""

from collections.abc import Sequence
from datetime import date
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request, Response

from service.database import Plain
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


def _next(rows: Sequence[Plain], limit: int, use_first: bool) -> str | None:
    if len(rows) <= limit:
        return None
    key = listing.key_of(rows[limit - 1], use_first)
    return (
        encode_cursor(key[0].isoformat(), key[1]) if isinstance(key, tuple) else encode_cursor(key)
    )


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
        found = listing.one_lot(connection, lot)
        if found is None:
            raise NotFound.of("lot", lot, "lot")
        by.ensure_site(found.site_id)
        holds = listing.holds_of(connection, found.lot_id) if found.has_holds else ()
    return as_shown(
        listing.lot_row(found.row, instant_of_asking(request))
        | {"places": found.places, "holds": [row._asdict() for row in holds]}
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
