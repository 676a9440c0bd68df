"""Background work that runs at one place at a time."""

from sqlmodel import Field, SQLModel

from service.database import Instant


class Job(SQLModel, table=True):
    """A piece of background work: who may do it until when, how it went, when it is due.

    fence grows by one each time somebody takes it; only the newest may write.
    """

    name: str = Field(primary_key=True)
    every_s: float
    fence: int = 0
    due_at: Instant
    leased_until: Instant | None = None
    began_at: Instant | None = None
    done_at: Instant | None = None
    took_s: float | None = None
    failures: int = 0  # in a row
    failed_at: Instant | None = None
    last_error: str | None = None
