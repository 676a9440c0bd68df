"""Background work as it is shown."""

from datetime import datetime

from pydantic import BaseModel, Field

from service.jobs.rules import JobState


class JobOut(BaseModel):
    """A job: how it stands, how it went, when it is due."""

    name: str
    state: JobState
    every_s: float
    due_at: datetime
    done_at: datetime | None
    took_s: float | None = Field(description="Seconds that the last finished run took.")
    failures: int = Field(description="Failures in a row; 0 after a success.")
    failed_at: datetime | None
    last_error: str | None = Field(description="Why the last failed run failed.")
