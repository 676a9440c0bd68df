"""The audit trail as it is shown."""

from datetime import datetime

from pydantic import BaseModel


class AuditEntryOut(BaseModel):
    """One write: who, when, what."""

    chain: int
    number: int
    recorded_at: datetime
    by: str
    on_behalf_of: str | None
    what: str
    subject: str
    before: str | None
    after: str | None
    detail: dict[str, object]
    hash: str
