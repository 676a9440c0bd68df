"""Writing down what people are to be told, in the transaction of what happened."""

from datetime import datetime

from sqlmodel import Session

from service.notifications.rules import Subject, Urgency


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
) -> None:
    """Put a message into the outbox; it is sent after the transaction commits.

    subject, number : what it is about, as `excursion 12`; the same again replaces
    nothing, each call is a message of its own.
    """
