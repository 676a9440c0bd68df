"""Saying that somebody knows of it."""

from datetime import datetime

from sqlmodel import Session

from service.notifications import queries
from service.notifications.models import Message
from service.notifications.schemas import AcknowledgementIn
from service.security import audit
from service.security.actor import Actor


def acknowledge(
    session: Session, number: int, said: AcknowledgementIn, *, at: datetime, by: Actor
) -> tuple[Message, str]:
    """Stop telling of a message again, and of earlier ones about the same thing.

    The first to say so is kept; said again it changes nothing. Raises NotFound.
    """
    message, site = queries.message_seen(session, number, by=by)
    for each in queries.unacknowledged_about(session, message):
        each.acknowledged_at, each.acknowledged_by = at, by.name
        each.acknowledgement = said.note
        if each.next_look_at != each.created_at:  # who has never been told still is, once
            each.next_look_at = None
        session.add(each)
        audit.note(
            session,
            by,
            "message acknowledged",
            f"message {each.id}",
            at=at,
            site_id=each.site_id,
            detail={"about": f"{each.subject} {each.number}", "note": said.note},
        )
    session.flush()
    return message, site
