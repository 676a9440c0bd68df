"""Which backups there are, for whoever has to prove that there are any."""

from datetime import datetime

from fastapi import APIRouter

from service.backups import queries
from service.backups.schemas import BackupOut
from service.errors import Invalid
from service.http.bodies import Cursor, Limit, Page, decode_cursor, encode_cursor
from service.http.sessions import ReadSession
from service.security.guard import MayReadAudit, guarded_router

router: APIRouter = guarded_router("/backups", "backups")


@router.get("")
def list_backups(
    session: ReadSession, by: MayReadAudit, limit: Limit = 100, cursor: Cursor = None
) -> Page[BackupOut]:
    """Scheduled backups, newest first: whether each was brought back whole to try it."""
    rows = queries.backups(session, limit=limit + 1, before=_instant(cursor))
    more = encode_cursor(rows[limit - 1].slot_at.isoformat()) if len(rows) > limit else None
    return Page(items=[BackupOut.model_validate(row) for row in rows[:limit]], next=more)


def _instant(cursor: str | None) -> datetime | None:
    if cursor is None:
        return None
    try:
        found = datetime.fromisoformat(str(decode_cursor(cursor, str)[0]))
    except ValueError:
        found = None
    if found is None or found.tzinfo is None:
        raise Invalid.at("cursor", "this is not a cursor that this list has given")
    return found
