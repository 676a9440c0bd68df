"""Who is told, what was told, and that somebody knows."""

from collections.abc import Sequence
from typing import Annotated

from fastapi import APIRouter, Path
from sqlmodel import Session

from service.http.bodies import LARGEST_NUMBER, Cursor, Limit, Page, decode_cursor, encode_cursor
from service.http.sessions import Now, ReadSession, WriteSession
from service.notifications import queries
from service.notifications.actions import acknowledging
from service.notifications.actions import recipients as actions
from service.notifications.models import Message
from service.notifications.queries import Progress
from service.notifications.rules import Channel
from service.notifications.schemas import (
    AcknowledgementIn,
    MessageOut,
    NoticeOut,
    RecipientIn,
    RecipientOut,
    Withdrawal,
)
from service.security.guard import MayAcknowledge, MayLook, MaySetUp, guarded_router
from service.site import queries as sites

recipients: APIRouter = guarded_router("/recipients", "telling people")
messages: APIRouter = guarded_router("/messages", "telling people")
routers = (recipients, messages)

Which = Annotated[int, Path(ge=0, le=LARGEST_NUMBER)]


@recipients.get("")
def list_recipients(
    session: ReadSession, by: MayLook, limit: Limit = 100, cursor: Cursor = None
) -> Page[RecipientOut]:
    """Who is told, newest first, withdrawn ones too; nothing secret is shown."""
    last = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    seen = sites.sites_seen(session, by=by)
    rows = queries.recipients(session, seen, limit=limit + 1, before_id=last)
    more = encode_cursor(rows[limit - 1][0].id or 0) if len(rows) > limit else None
    return Page(items=[RecipientOut.of(*row) for row in rows[:limit]], next=more)


@recipients.post("", status_code=201)
def add_recipient(new: RecipientIn, session: WriteSession, at: Now, by: MaySetUp) -> RecipientOut:
    """Tell somebody from now on, by e-mail, webhook or whatever apprise reaches.

    Messages of before are not told, but for what is urgent and nobody has acknowledged.
    A webhook may be in the local network: the service asks whatever address a manager gives.
    """
    recipient, site = actions.add_recipient(session, new, at=at, by=by)
    return RecipientOut.of(recipient, site.code)


@recipients.post("/{recipient}/withdrawal")
def withdraw_recipient(
    recipient: Which, withdrawal: Withdrawal, session: WriteSession, at: Now, by: MaySetUp
) -> RecipientOut:
    """Tell somebody nothing more."""
    row, site = actions.withdraw(session, recipient, withdrawal, at=at, by=by)
    return RecipientOut.of(row, site.code)


@recipients.post("/{recipient}/test", status_code=201)
def try_recipient(recipient: Which, session: WriteSession, at: Now, by: MaySetUp) -> MessageOut:
    """Send a test now; `GET /messages/{id}` shows in a few seconds whether it arrived."""
    message = actions.try_out(session, recipient, at=at, by=by)
    return _shown(session, [(message, sites.view(session, message.site_id, at=at).code)])[0]


@messages.get("")
def list_messages(
    session: ReadSession, by: MayLook, limit: Limit = 100, cursor: Cursor = None
) -> Page[MessageOut]:
    """The outbox, newest first: what was told to whom, and whether it arrived."""
    last = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    seen = sites.sites_seen(session, by=by)
    rows = queries.messages(session, seen, limit=limit + 1, before_id=last)
    more = encode_cursor(rows[limit - 1][0].id or 0) if len(rows) > limit else None
    return Page(items=_shown(session, rows[:limit]), next=more)


@messages.get("/{message}")
def get_message(message: Which, session: ReadSession, by: MayLook) -> MessageOut:
    """One message and what became of it."""
    return _shown(session, [queries.message_seen(session, message, by=by)])[0]


@messages.post("/{message}/acknowledgement")
def acknowledge(
    message: Which, said: AcknowledgementIn, session: WriteSession, at: Now, by: MayAcknowledge
) -> MessageOut:
    """Somebody knows and is at it: this and earlier messages about it are not told again."""
    return _shown(session, [acknowledging.acknowledge(session, message, said, at=at, by=by)])[0]


def _shown(session: Session, rows: Sequence[tuple[Message, str]]) -> list[MessageOut]:
    """Messages with how far each recipient was told. One query."""
    of_message: dict[int, list[Progress]] = {row.id or 0: [] for row, _ in rows}
    for each in queries.progress(session, of_message):
        of_message[each.notice.message_id].append(each)
    return [
        MessageOut.of(
            row,
            site,
            [_notice_out(each) for each in of_message[row.id or 0]],
            state=queries.state_of(row, of_message[row.id or 0]),
        )
        for row, site in rows
    ]


def _notice_out(each: Progress) -> NoticeOut:
    dispatch = each.dispatch
    return NoticeOut(
        recipient=each.recipient.id or 0,
        name=each.recipient.name,
        channel=Channel(each.recipient.channel),
        stands_for=each.recipient.stands_for,
        times=each.notice.times,
        state=each.state,
        attempts=dispatch.attempts if dispatch else 0,
        due_at=dispatch.due_at if dispatch else each.notice.due_at,
        sent_at=dispatch.sent_at if dispatch else None,
        last_error=dispatch.last_error if dispatch else None,
    )
