"""Excursions."""

from sqlmodel import Field, SQLModel

from service.database import Instant


class Excursion(SQLModel, table=True):
    """A time during which a place was warmer than its limit for too long, or silent."""

    id: int | None = Field(default=None, primary_key=True)
    place_id: int = Field(foreign_key="place.id", index=True)
    probe_id: int = Field(foreign_key="probe.id", index=True)
    kind: str
    from_at: Instant
    ended_at: Instant | None = None
    limit_c: float | None = None
    peak_c: float | None = None
    opened_at: Instant
