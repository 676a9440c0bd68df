"""Thaw requests, and what was seen of a thaw batch."""

from datetime import date
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Column, Index, text
from sqlmodel import Field, SQLModel

from service.database import Instant


class ThawRequest(SQLModel, table=True):
    """Fish needed thawed between a first and a last feed, and the plan made for it.

    wanted: what is needed of each species and when, as `rules.wanting.Wanted`; the
    plan can be made anew from it.
    """

    __tablename__ = "thaw_request"
    __table_args__ = (Index("ix_thaw_request_site_id_last_feed_at", "site_id", "last_feed_at"),)

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
    wanted: list[dict[str, Any]] = Field(
        default_factory=list, sa_column=Column(JSON, nullable=False)
    )
    plan: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))


class SurplusShare(SQLModel, table=True):
    """Grams of one request's surplus that serve another one.

    pull_number: which pull of its plan they are left over from.
    """

    __tablename__ = "surplus_share"
    __table_args__ = (CheckConstraint("grams > 0", name="more_than_nothing"),)

    id: int | None = Field(default=None, primary_key=True)
    from_request_id: int = Field(foreign_key="thaw_request.id", index=True)
    pull_number: int
    to_request_id: int = Field(foreign_key="thaw_request.id", index=True)
    grams: int
    shared_at: Instant
    ended_at: Instant | None = None


class ThawPlanChange(SQLModel, table=True):
    """A plan that became another one: why, what changed in words, and how it was before."""

    __tablename__ = "thaw_plan_change"

    id: int | None = Field(default=None, primary_key=True)
    thaw_request_id: int = Field(foreign_key="thaw_request.id", index=True)
    recorded_at: Instant
    by: str
    why: str
    changes: list[str] = Field(sa_column=Column(JSON, nullable=False))
    before: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))


class ThawForecast(SQLModel, table=True):
    """How long a thaw batch was expected to take when it was pulled.

    thaw_request_id: what it was pulled for.
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
    thaw_request_id: int | None = Field(default=None, foreign_key="thaw_request.id", index=True)


NOT_YET = text("not_yet_at IS NOT NULL OR found <> 'thawed'")


class ThawLook(SQLModel, table=True):
    """Somebody looked at a thaw batch: how far it was, or a temperature, or both. Never changed.

    found, method, part: see `rules.looks`. not_yet_at: when it was last looked at and was not
    thawed. value, unit: as it was said. place_id: where the batch was then.
    """

    __tablename__ = "thaw_look"
    __table_args__ = (
        CheckConstraint("found IS NOT NULL OR measured_c IS NOT NULL", name="saw_something"),
        Index(
            "ix_thaw_look_not_yet",  # the few thaws that somebody looked at before they were done
            "thaw_batch_id",
            sqlite_where=NOT_YET,
            postgresql_where=NOT_YET,
        ),
    )

    id: int | None = Field(default=None, primary_key=True)
    thaw_batch_id: int = Field(foreign_key="thaw_batch.id", index=True)
    place_id: int | None = Field(default=None, foreign_key="place.id")
    seen_at: Instant
    found: str | None = None
    method: str | None = None
    part: str | None = None
    value: str | None = None
    unit: str | None = None
    measured_c: float | None = None
    not_yet_at: Instant | None = None
    recorded_at: Instant
    by: str


class ThawWarning(SQLModel, table=True):
    """That people were told that the clock of a thaw batch runs out, or has."""

    __tablename__ = "thaw_warning"

    thaw_batch_id: int = Field(foreign_key="thaw_batch.id", primary_key=True)
    kind: str = Field(primary_key=True)
    discard_after: Instant = Field(primary_key=True)
    told_at: Instant
