"""Lots with their stock, and their quality."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request, Response
from sqlmodel import Session

from service.catalogue.rules import nutrient_tag
from service.database import Plain
from service.errors import Invalid, NotFound
from service.http.answers import as_shown
from service.http.bodies import Cursor, Limit, Moment, Page, decode_cursor, encode_cursor
from service.http.sessions import Now, ReadSession, database_of, instant_of_asking
from service.lots import queries as lots
from service.quality.queries import listing
from service.quality.queries.life_left import life_left, life_row
from service.quality.queries.over_time import (
    content_over_time,
    frozen_c,
    over_time_drawn,
    over_time_out,
)
from service.quality.queries.quality import quality_of
from service.quality.rules import Planned
from service.quality.rules.chart import SVG
from service.quality.schemas import LifeLeftRow, LotDetail, LotRow, OverTimeOut, QualityOut
from service.quantities import parse_temperature
from service.security.actor import Actor
from service.security.guard import MayLook, guarded_router
from service.site import queries as sites

router: APIRouter = guarded_router("/lots", "lots")
life: APIRouter = guarded_router("/life-left", "lots")
routers = (router, life)

FARTHEST = timedelta(days=5 * 366)  # a plan beyond says nothing


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


@router.get(
    "/{lot}/nutrients/{tag}/over-time",
    response_model=OverTimeOut,
    responses={200: {"content": {SVG: {"schema": {"type": "string"}}}}},
)
def get_nutrient_over_time(
    lot: str,
    tag: str,
    request: Request,
    session: ReadSession,
    now: Now,
    by: MayLook,
    days: Annotated[int, Query(ge=0, le=FARTHEST.days, description="How far ahead.")] = 90,
    storage: Annotated[
        str | None,
        Query(
            description="Kept from now on at this temperature, as `-25 °C`. Left out: as its "
            "place was in the last week."
        ),
    ] = None,
) -> OverTimeOut | Response:
    """What a lot held of a nutrient, holds, and will hold: points with their range.

    With `Accept: image/svg+xml` they are drawn.
    """
    found = lots.lot_by_code(session, lot, by=by)
    try:
        known = nutrient_tag(tag)
    except ValueError as error:
        raise Invalid.at("tag", str(error)) from error
    view = sites.view(session, found.site_id, at=now)
    series = content_over_time(
        session, view, found, known, at=now, storage_c=frozen_c(storage), days=days
    )
    if SVG in request.headers.get("accept", ""):
        drawn = over_time_drawn(series, found)
        return Response(drawn, media_type=SVG, headers={"Vary": "Accept"})
    return over_time_out(series, found, view)


@life.get("")
def list_life_left(
    session: ReadSession,
    now: Now,
    by: MayLook,
    species: str | None = None,
    place: str | None = None,
    lot: str | None = None,
    at: Annotated[
        Moment | None,
        Query(description="A later instant: as it is kept until then. Left out: now."),
    ] = None,
    temperature: Annotated[
        str | None, Query(description="Kept until then at this temperature, as `-20 °C`.")
    ] = None,
    kept_in: Annotated[
        str | None, Query(description="Kept until then as this place was in the last week.")
    ] = None,
    limit: Limit = 200,
    cursor: Cursor = None,
) -> Page[LifeLeftRow]:
    """Life used and left of what is on hand, parcel by parcel, least life left first.

    At a later instant each parcel is kept as its place was in the last week (range: the
    coldest and the warmest day), or as planned. Pages of one list stay at one instant.
    """
    asked = _Continued.of(cursor, now)
    views = {s.id or 0: sites.view_of(session, s, at=now) for s in sites.sites(session, by=by)}
    found = life_left(
        session,
        views=views,
        now=asked.now,
        species=species,
        place_id=sites.place_by_code(session, place, by=by, field="place").id if place else None,
        lot_id=lots.lot_by_code(session, lot, by=by).id if lot else None,
        planned=_planned(session, at, temperature, kept_in, now=now, by=by),
    )
    order = found.after(asked.key)
    shown = [life_row(found, int(i), views, at=at or asked.now) for i in order[:limit]]
    more = order.size > limit
    return Page(items=shown, next=asked.onwards(found.key(int(order[limit - 1]))) if more else None)


@dataclass(frozen=True)
class _Continued:
    """The instant that a list is of, and where its next page goes on."""

    now: datetime
    key: tuple[int, int] | None

    @classmethod
    def of(cls, cursor: str | None, now: datetime) -> "_Continued":
        if cursor is None:
            return cls(now, None)
        began, left, parcel = decode_cursor(cursor, str, str, int)
        try:
            instant = datetime.fromisoformat(str(began))
            key = (int(left), int(parcel))
        except ValueError as error:
            raise Invalid.at("cursor", "this is not a cursor that this list has given") from error
        if instant.tzinfo is None or not now - timedelta(days=1) <= instant <= now:
            raise Invalid.at("cursor", "is older than a day: begin the list again")
        return cls(instant, key)

    def onwards(self, key: tuple[int, int]) -> str:
        return encode_cursor(self.now.isoformat(), str(key[0]), key[1])


def _planned(
    session: Session,
    at: datetime | None,
    temperature: str | None,
    kept_in: str | None,
    *,
    now: datetime,
    by: Actor,
) -> Planned | None:
    """How fish is to be kept until when. Raises Invalid for what does not go together."""
    if at is None:
        if temperature is not None or kept_in is not None:
            raise Invalid.at("at", "say until when it is to be kept so")
        return None
    if at < now:
        raise Invalid.at("at", "lies in the past: ask for the quality of a lot")
    if at > now + FARTHEST:
        raise Invalid.at("at", "lies more than five years ahead")
    if temperature is not None and kept_in is not None:
        raise Invalid.at("kept_in", "a temperature is planned already: give one of the two")
    if kept_in is not None:
        place = sites.place_by_code(session, kept_in, by=by, field="kept_in")
        return Planned(at.timestamp(), place_id=place.id)
    if temperature is None:
        return Planned(at.timestamp())
    try:
        return Planned(at.timestamp(), temperature_c=parse_temperature(temperature).c)
    except ValueError as error:
        raise Invalid.at("temperature", str(error)) from error
