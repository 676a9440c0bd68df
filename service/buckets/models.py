"""Buckets, what is in them, what happened to them; and medication that a vet has ordered.

Events and outcomes refuse update and delete by triggers: see the migration.
"""

from datetime import date

from sqlalchemy import CheckConstraint, Index
from sqlmodel import Field, SQLModel

from service.database import Instant


class Bucket(SQLModel, table=True):
    """Fish for one animal, or one group, at one feed. Its fish is in the books of its batches."""

    __table_args__ = (
        CheckConstraint("(animal_id IS NULL) <> (group_id IS NULL)", name="for_one_or_a_group"),
        Index("ix_bucket_site_id_feed_at", "site_id", "feed_at"),
    )

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(unique=True)
    site_id: int = Field(foreign_key="site.id")
    animal_id: int | None = Field(default=None, foreign_key="animal.id", index=True)
    group_id: int | None = Field(default=None, foreign_key="animal_group.id", index=True)
    day: date
    number: int | None = None
    feed_at: Instant
    kind: str
    tare_g: int | None = None
    recorded_at: Instant
    by: str


class BucketItem(SQLModel, table=True):
    """Fish of one thaw batch in a bucket: as planned, and as it was weighed out."""

    __tablename__ = "bucket_item"
    __table_args__ = (
        CheckConstraint("planned_g >= 0 AND (weighed_g IS NULL OR weighed_g >= 0)", name="mass"),
    )

    bucket_id: int = Field(foreign_key="bucket.id", primary_key=True)
    thaw_batch_id: int = Field(foreign_key="thaw_batch.id", primary_key=True, index=True)
    number: int
    planned_g: int
    weighed_g: int | None = None


class BucketEvent(SQLModel, table=True):
    """What happened to a bucket; its state follows from these."""

    __tablename__ = "bucket_event"

    id: int | None = Field(default=None, primary_key=True)
    bucket_id: int = Field(foreign_key="bucket.id", index=True)
    kind: str
    feed_id: int | None = Field(default=None, foreign_key="feed.id", index=True)
    reason: str | None = None
    occurred_at: Instant
    recorded_at: Instant
    by: str


class BucketPiece(SQLModel, table=True):
    """Pieces of a supplement or a medicine in the fish of a bucket, for one named animal."""

    __tablename__ = "bucket_piece"
    __table_args__ = (
        CheckConstraint("count > 0", name="count_more_than_nothing"),
        CheckConstraint("(plan_id IS NULL) <> (order_id IS NULL)", name="plan_or_order"),
    )

    bucket_id: int = Field(foreign_key="bucket.id", primary_key=True)
    number: int = Field(primary_key=True)
    animal_id: int = Field(foreign_key="animal.id", index=True)
    plan_id: int | None = Field(default=None, foreign_key="supplement_plan.id")
    order_id: int | None = Field(default=None, foreign_key="medication_order.id")
    item: str
    count: float
    batch: str | None = None
    fish: str | None = None


class PieceOutcome(SQLModel, table=True):
    """What became of pieces in a bucket. Of several the one recorded last counts."""

    __tablename__ = "piece_outcome"

    id: int | None = Field(default=None, primary_key=True)
    bucket_id: int = Field(foreign_key="bucket.id", index=True)
    number: int
    outcome: str
    note: str | None = None
    occurred_at: Instant
    recorded_at: Instant
    by: str


class MedicationOrder(SQLModel, table=True):
    """Medication for one animal by a vet's order, both days included; altered by stopping only."""

    __tablename__ = "medication_order"
    __table_args__ = (
        CheckConstraint("count > 0 AND feeds_per_day > 0", name="more_than_nothing"),
        CheckConstraint("until_day >= from_day", name="from_before_until"),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    animal_id: int = Field(foreign_key="animal.id", index=True)
    item: str
    count: float
    feeds_per_day: int
    fish: str | None = None
    from_day: date
    until_day: date
    instructions: str
    recorded_at: Instant
    by: str
    stopped_at: Instant | None = None
    stopped_by: str | None = None
    stopped_reason: str | None = None
