"""What was measured by hand, and what was cleaned."""

from typing import Annotated

from fastapi import APIRouter, Query

from service.checks import queries
from service.checks.queries import Wanted
from service.checks.rules import CheckKind
from service.checks.schemas import CheckOut
from service.http.bodies import (
    Code,
    Cursor,
    Limit,
    Moment,
    Number,
    Page,
    decode_cursor,
    encode_cursor,
)
from service.http.sessions import Now, ReadSession
from service.lots import queries as lots
from service.security.guard import MayLook, guarded_router
from service.site import queries as sites

router: APIRouter = guarded_router("/checks", "temperatures")


@router.get("")
def list_checks(
    session: ReadSession,
    at: Now,
    by: MayLook,
    kind: CheckKind | None = None,
    lot: Code | None = None,
    place: Code | None = None,
    excursion: Annotated[Number | None, Query(description="Made for this excursion.")] = None,
    from_: Annotated[Moment | None, Query(alias="from")] = None,
    to: Moment | None = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[CheckOut]:
    """What was measured by hand or cleaned, newest first; what was wrong stays, with what
    corrected it."""
    wanted = Wanted(
        kind=kind,
        lot_id=lots.lot_by_code(session, lot, by=by).id if lot else None,
        place_id=sites.place_by_code(session, place, by=by, field="place").id if place else None,
        excursion_id=excursion,
        from_at=from_,
        to_at=to,
    )
    last = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    seen = sites.sites_seen(session, by=by)
    rows = queries.views(session, seen, wanted, limit=limit + 1, before_id=last)
    units = {
        site_id: sites.view(session, site_id, at=at).units
        for site_id in {row.check.site_id for row in rows}
    }
    more = encode_cursor(rows[limit - 1].check.id or 0) if len(rows) > limit else None
    return Page(
        next=more, items=[queries.check_out(row, units[row.check.site_id]) for row in rows[:limit]]
    )
