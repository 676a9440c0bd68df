"""Reading the audit trail."""

from fastapi import APIRouter
from sqlmodel import col, select

from service.http.bodies import Cursor, Limit, Page, decode_cursor, encode_cursor
from service.http.sessions import ReadSession
from service.security.guard import MayReadAudit, guarded_router
from service.security.models import AuditEntry
from service.security.schemas import AuditEntryOut

router: APIRouter = guarded_router("/audit", "audit")


@router.get("")
def list_audit(
    session: ReadSession,
    by: MayReadAudit,
    subject: str | None = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[AuditEntryOut]:
    """What was done, newest first; only the chains of your sites. One query."""
    statement = select(AuditEntry).order_by(col(AuditEntry.id).desc()).limit(limit + 1)
    if by.sites is not None:
        statement = statement.where(col(AuditEntry.chain).in_(by.sites))
    if subject is not None:
        statement = statement.where(col(AuditEntry.subject) == subject)
    if cursor is not None:
        (last,) = decode_cursor(cursor, int)
        statement = statement.where(col(AuditEntry.id) < last)
    rows = session.exec(statement).all()
    shown = [AuditEntryOut.model_validate(row, from_attributes=True) for row in rows[:limit]]
    last_id = rows[limit - 1].id if len(rows) > limit else None
    return Page(items=shown, next=encode_cursor(last_id) if last_id is not None else None)
