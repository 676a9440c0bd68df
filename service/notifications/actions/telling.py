"""Writing down what people are to be told, in the transaction of what happened."""

from datetime import datetime

from sqlmodel import Session, col, select

from service.notifications.models import Message
from service.notifications.rules import Subject, Urgency
from service.security.audit import ORGANISATION
from service.security.models import AuditHead
from service.site.models import Site


def tell(
    session: Session,
    *,
    site_id: int,
    subject: Subject,
    number: int,
    title: str,
    body: str,
    urgency: Urgency,
    at: datetime,
    ends: bool = False,
) -> Message:
    """Put a message into the outbox; it is sent after the transaction commits.

    subject, number : what it is about, as `excursion 12`, or 0 for nothing in particular;
    the same again replaces nothing, each call is a message of its own.
    ends : that it is over. Told once to everybody who heard of it and whoever takes such
    messages; acknowledges nothing. Urgency says whether quiet hours hold it back.
    Who is told is decided when it is sent: one insert.
    """
    return keep(
        session,
        Message(
            site_id=site_id,
            subject=subject,
            number=number,
            title=" ".join(title.split()),
            body=body,
            urgency=urgency,
            once=ends,
            ends=ends,
            created_at=at,
        ),
    )


def keep(session: Session, message: Message) -> Message:
    """Store a message, to be looked at unless it is only for the record."""
    if message.urgency != Urgency.RECORD:
        message.next_look_at = message.created_at
    session.add(message)
    session.flush()
    return message


def tell_chain_heads(session: Session, at: datetime) -> None:
    """Tell each site where its audit chain ends: daily, so that copies lie elsewhere.

    Somebody who rebuilt the chain could not change what has been sent. Two queries.
    """
    heads = {head.chain: head for head in session.exec(select(AuditHead))}
    for site in session.exec(select(Site).order_by(col(Site.id))):
        lines = [
            f"{name}: entry {head.length}, SHA-256 {head.hash}"
            for name, head in (
                (f"site {site.code}", heads.get(site.id or 0)),
                ("organisation", heads.get(ORGANISATION)),
            )
            if head is not None
        ]
        if lines:
            tell(
                session,
                site_id=site.id or 0,
                subject=Subject.AUDIT,
                number=0,
                title=f"Where the audit chain of {site.code} ends",
                body="Keep this message. `fishhouse audit verify` checks the chain; the entry of "
                "each number must still carry this hash.\n" + "\n".join(lines),
                urgency=Urgency.TODAY,
                at=at,
            )
