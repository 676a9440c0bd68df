"""Watches of those who ate of a bad lot; what was seen of them. Triggers keep what was seen."""

from typing import Any

from sqlalchemy import JSON, CheckConstraint, Column, Index, UniqueConstraint, text
from sqlmodel import Field, SQLModel

import service.assays.models  # noqa: F401 - a watch is opened for an assay
from service.database import Instant

_OPEN = "closed_at IS NULL"


class Watch(SQLModel, table=True):
    """Those who ate of a lot, or of one thaw batch of it, are looked at.

    hours: after the last feed; 0 where it is a note for the vet. from_at: when looks begin.
    known: who is known to have eaten of it and when last, as it was told. overdue_told_at: of
    which looks people were told.
    """

    __table_args__ = (
        Index("ix_watch_open", "lot_id", sqlite_where=text(_OPEN), postgresql_where=text(_OPEN)),
        CheckConstraint("hours >= 0 AND round_h > 0", name="hours_not_negative"),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    lot_id: int = Field(foreign_key="lot.id", index=True)
    thaw_batch_id: int | None = Field(default=None, foreign_key="thaw_batch.id")
    hours: float
    round_h: float
    look_back_days: float
    opened_at: Instant
    from_at: Instant
    recorded_at: Instant
    by: str
    known: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    overdue_told_at: Instant | None = None
    closing_proposed_at: Instant | None = None
    closed_at: Instant | None = None
    closed_by: str | None = None
    closed_because: str | None = None


class WatchCause(SQLModel, table=True):
    """Why a watch is kept: what was found, or what somebody said. assay_id: once each."""

    __tablename__ = "watch_cause"
    __table_args__ = (UniqueConstraint("assay_id"),)

    id: int | None = Field(default=None, primary_key=True)
    watch_id: int = Field(foreign_key="watch.id", index=True)
    assay_id: int | None = Field(default=None, foreign_key="assay.id")
    hazards: list[str] = Field(sa_column=Column(JSON, nullable=False))
    because: str
    added_at: Instant
    by: str


class WatchObservation(SQLModel, table=True):
    """One look at an animal, or at a group some of which has no name: what was seen, or nothing."""

    __tablename__ = "watch_observation"
    __table_args__ = (
        CheckConstraint("(animal_id IS NULL) <> (group_id IS NULL)", name="animal_or_group"),
    )

    id: int | None = Field(default=None, primary_key=True)
    watch_id: int = Field(foreign_key="watch.id", index=True)
    animal_id: int | None = Field(default=None, foreign_key="animal.id")
    group_id: int | None = Field(default=None, foreign_key="animal_group.id")
    signs: list[str] = Field(sa_column=Column(JSON, nullable=False))
    other: str | None = None
    appetite: str | None = None
    occurred_at: Instant
    recorded_at: Instant
    by: str


class WatchChange(SQLModel, table=True):
    """What changed in a watch after it was opened, as people were told."""

    __tablename__ = "watch_change"

    id: int | None = Field(default=None, primary_key=True)
    watch_id: int = Field(foreign_key="watch.id", index=True)
    kind: str
    because: str
    at: Instant
    by: str
