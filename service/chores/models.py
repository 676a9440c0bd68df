"""Chores that were told as overdue."""

from sqlmodel import Field, SQLModel

from service.database import Instant


class OverdueChore(SQLModel, table=True):
    """A chore that people were told of, until it was done. place_id: None for equipment."""

    __tablename__ = "overdue_chore"

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    chore: str
    place_id: int | None = Field(default=None, foreign_key="place.id")
    state: str
    told_at: Instant
    ended_at: Instant | None = None
