"""Excursions, their revisions, the fish they met, and how far each probe has been watched."""

from typing import Any

from sqlalchemy import JSON, BigInteger, Column
from sqlmodel import Field, SQLModel

from service.database import Instant


class Excursion(SQLModel, table=True):
    """A time during which a place was too warm for too long, rose too fast, or was silent.

    One that is merged into another (`merged_into_id`) goes with it: it is assessed and
    decided there. A follow-up (`follows_id`) holds what came to light of one that had
    been decided.
    """

    id: int | None = Field(default=None, primary_key=True)
    place_id: int = Field(foreign_key="place.id", index=True)
    probe_id: int = Field(foreign_key="probe.id", index=True)
    kind: str
    state: str = Field(default="open", index=True)
    reason: str = ""
    cause: str = "unknown"
    criteria: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    from_at: Instant
    ended_at: Instant | None = None
    limit_c: float | None = None
    peak_c: float | None = None
    opened_at: Instant
    revision: int = 1
    follows_id: int | None = Field(default=None, foreign_key="excursion.id", index=True)
    merged_into_id: int | None = Field(default=None, foreign_key="excursion.id", index=True)


class ExcursionRevision(SQLModel, table=True):
    """An excursion as it was known from an instant on, and why that changed. Never changed."""

    __tablename__ = "excursion_revision"

    excursion_id: int = Field(foreign_key="excursion.id", primary_key=True)
    number: int = Field(primary_key=True)
    state: str
    from_at: Instant
    ended_at: Instant | None = None
    peak_c: float | None = None
    reason: str
    recorded_at: Instant
    by: str


class ExcursionParcel(SQLModel, table=True):
    """Fish that was in the place during an excursion: from when, until when, how much of it."""

    __tablename__ = "excursion_parcel"

    excursion_id: int = Field(foreign_key="excursion.id", primary_key=True)
    parcel_id: int = Field(foreign_key="parcel.id", primary_key=True, index=True)
    grams: int
    from_at: Instant
    until_at: Instant | None = None


class PassedDefrost(SQLModel, table=True):
    """A regular defrost that stayed short and cold enough: counted, not an excursion."""

    __tablename__ = "passed_defrost"

    probe_id: int = Field(foreign_key="probe.id", primary_key=True)
    from_s: int = Field(sa_type=BigInteger, primary_key=True)
    until_s: int = Field(sa_type=BigInteger)
    place_id: int = Field(foreign_key="place.id", index=True)
    peak_c: float


class ProbeWatch(SQLModel, table=True):
    """What the watch has to remember of a probe's readings until `at_s` to go on from there."""

    __tablename__ = "probe_watch"

    probe_id: int = Field(foreign_key="probe.id", primary_key=True)
    at_s: int = Field(sa_type=BigInteger)
    memory: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
