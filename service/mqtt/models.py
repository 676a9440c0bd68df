"""Messages that could not be read as readings."""

from sqlmodel import Field, SQLModel

from service.database import Instant


class UnreadMessage(SQLModel, table=True):
    """A message of the broker, or a row of one, from which nothing was stored, and why.

    Kept for whoever sets the mapping up: only the newest, cut to a length.
    """

    __tablename__ = "unread_message"

    id: int | None = Field(default=None, primary_key=True)
    received_at: Instant
    topic: str
    payload: bytes
    reason: str
