"""Thaw requests, and when a thaw batch was found fully thawed."""

from datetime import date
from typing import Any

from sqlalchemy import JSON, Column, Index
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


class ThawForecast(SQLModel, table=True):
    """How long a thaw batch was expected to take when it was pulled.

    modelled_h: by the physics alone, without what the site had learned; None where a
    figure was taken. What the site learns compares it with what was seen.
    """

    __tablename__ = "thaw_forecast"
    __table_args__ = (
        Index("ix_thaw_forecast_site_id_product_id", "site_id", "product_id", "place_kind"),
    )

    thaw_batch_id: int = Field(foreign_key="thaw_batch.id", primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    product_id: int = Field(foreign_key="product.id")
    place_kind: str
    left_freezer_at: Instant
    hours: float
    low_h: float
    high_h: float
    modelled_h: float | None = None
    method: str


class ThawedMark(SQLModel, table=True):
    """Somebody found a thaw batch fully thawed. Of several the earliest counts.

    not_yet_at: when it was last looked at and was not.
    """

    __tablename__ = "thawed_mark"

    id: int | None = Field(default=None, primary_key=True)
    thaw_batch_id: int = Field(foreign_key="thaw_batch.id", index=True)
    thawed_at: Instant
    not_yet_at: Instant | None = None
    recorded_at: Instant
    by: str
