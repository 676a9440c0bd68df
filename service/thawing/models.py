"""Thaw requests, and when a thaw batch was found fully thawed."""

from datetime import date
from typing import Any

from sqlalchemy import JSON, Column
from sqlmodel import Field, SQLModel

from service.database import Instant


class ThawRequest(SQLModel, table=True):
    """Fish needed thawed between a first and a last feed, and the plan made for it."""

    __tablename__ = "thaw_request"

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    place_id: int = Field(foreign_key="place.id")
    day: date | None = None
    first_feed_at: Instant
    last_feed_at: Instant
    recorded_at: Instant
    by: str
    cancelled_at: Instant | None = None
    policy_version: int
    plan: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))


class ThawedMark(SQLModel, table=True):
    """Somebody found a thaw batch fully thawed. Of several the earliest counts."""

    __tablename__ = "thawed_mark"

    id: int | None = Field(default=None, primary_key=True)
    thaw_batch_id: int = Field(foreign_key="thaw_batch.id", index=True)
    thawed_at: Instant
    recorded_at: Instant
    by: str
