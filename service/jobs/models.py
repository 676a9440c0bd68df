"""Background work that runs at one place at a time."""

from sqlmodel import Field, SQLModel

from service.database import Instant


class Job(SQLModel, table=True):
    """A piece of background work: who may do it until when, and how often it was taken."""

    name: str = Field(primary_key=True)
    fence: int = 0
    leased_until: Instant
    done_at: Instant | None = None
