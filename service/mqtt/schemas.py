"""Messages that could not be read, as they are shown."""

from datetime import datetime

from pydantic import BaseModel, Field


class UnreadMessageOut(BaseModel):
    """A message of the broker from which something was not stored."""

    id: int
    received_at: datetime
    topic: str
    payload: str = Field(description="Its beginning, as text.")
    reason: str
