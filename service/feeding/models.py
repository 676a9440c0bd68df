"""Feeds: who was offered what, what was eaten, what was left."""

from sqlalchemy import CheckConstraint, Index
from sqlmodel import Field, SQLModel

from service.database import Instant


class Feed(SQLModel, table=True):
    """One animal fed at one time. It stands as long as its movement does."""

    __table_args__ = (Index("ix_feed_animal_id_occurred_at", "animal_id", "occurred_at"),)

    id: int | None = Field(default=None, primary_key=True)
    animal_id: int = Field(foreign_key="animal.id")
    movement_id: int = Field(foreign_key="movement.id", unique=True)
    occurred_at: Instant
    recorded_at: Instant
    by: str
    appetite: str
    note: str | None = None


class FeedItem(SQLModel, table=True):
    """What an animal was offered from one thaw batch: offered = eaten + left."""

    __tablename__ = "feed_item"
    __table_args__ = (
        CheckConstraint("offered_g = eaten_g + left_g", name="offered_is_eaten_and_left"),
        CheckConstraint("offered_g > 0 AND eaten_g >= 0 AND left_g >= 0", name="not_negative"),
    )

    feed_id: int = Field(foreign_key="feed.id", primary_key=True)
    number: int = Field(primary_key=True)
    thaw_batch_id: int = Field(foreign_key="thaw_batch.id")
    lot_id: int = Field(foreign_key="lot.id", index=True)
    offered_g: int
    eaten_g: int
    left_g: int
