"""What came by the broker and could not be read."""

from fastapi import APIRouter

from service.http.bodies import Cursor, Limit, Page, decode_cursor, encode_cursor
from service.http.sessions import ReadSession
from service.mqtt import queries
from service.mqtt.schemas import UnreadMessageOut
from service.security.guard import MayReadAudit, guarded_router

router: APIRouter = guarded_router("/unread-messages", "temperatures")


@router.get("")
def list_unread_messages(
    session: ReadSession, by: MayReadAudit, limit: Limit = 100, cursor: Cursor = None
) -> Page[UnreadMessageOut]:
    """Messages of the broker from which something was not stored, and why; newest first.

    They belong to no site: somebody who is limited to sites sees none.
    """
    if by.sites is not None:
        return Page(items=[], next=None)
    last = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    rows = queries.unread(session, limit=limit + 1, before_id=last)
    return Page(
        next=encode_cursor(rows[limit - 1].id or 0) if len(rows) > limit else None,
        items=[
            UnreadMessageOut(
                id=row.id or 0,
                received_at=row.received_at,
                topic=row.topic,
                payload=row.payload.decode("utf-8", errors="replace"),
                reason=row.reason,
            )
            for row in rows[:limit]
        ],
    )
