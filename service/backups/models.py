"""Which copies were made on schedule, and what became of them."""

from sqlmodel import Field, SQLModel

from service.database import Instant


class Backup(SQLModel, table=True):
    """One scheduled backup: due at its slot, made by whoever holds the lease."""

    slot_at: Instant = Field(primary_key=True)
    attempts: int
    leased_until: Instant | None = None
    name: str | None = None
    bytes: int | None = None
    finished_at: Instant | None = None
    verified_at: Instant | None = None
    problem: str | None = None
    removed_at: Instant | None = None
