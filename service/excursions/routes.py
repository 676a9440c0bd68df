"""Times in which a place was too warm for too long, or silent."""

from fastapi import APIRouter

from service.excursions import queries
from service.excursions.rules import ExcursionKind
from service.excursions.schemas import ExcursionOut
from service.http.bodies import Cursor, Limit, Page, decode_cursor, encode_cursor
from service.http.sessions import ReadSession
from service.security.guard import MayLook, guarded_router
from service.site import queries as sites

excursions: APIRouter = guarded_router("/excursions", "temperatures")
routers = (excursions,)


@excursions.get("")
def list_excursions(
    session: ReadSession, by: MayLook, limit: Limit = 100, cursor: Cursor = None
) -> Page[ExcursionOut]:
    """Times in which a place was too warm for too long, or silent; newest first."""
    last = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    rows = queries.excursions(
        session, sites.sites_seen(session, by=by), limit=limit + 1, before_id=last
    )
    more = encode_cursor(rows[limit - 1][0].id or 0) if len(rows) > limit else None
    return Page(
        next=more,
        items=[
            ExcursionOut(
                id=e.id or 0,
                place=place,
                probe=probe,
                kind=ExcursionKind(e.kind),
                from_at=e.from_at,
                ended_at=e.ended_at,
                limit_c=e.limit_c,
                peak_c=e.peak_c,
            )
            for e, place, probe in rows[:limit]
        ],
    )
