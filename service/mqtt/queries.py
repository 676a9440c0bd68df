"""Messages that could not be read."""

from collections.abc import Sequence

from sqlmodel import Session, col, select

from service.mqtt.models import UnreadMessage


def unread(session: Session, *, limit: int, before_id: int | None) -> Sequence[UnreadMessage]:
    """The newest messages that could not be read. One query."""
    statement = select(UnreadMessage).order_by(col(UnreadMessage.id).desc()).limit(limit)
    if before_id is not None:
        statement = statement.where(col(UnreadMessage.id) < before_id)
    return session.exec(statement).all()
