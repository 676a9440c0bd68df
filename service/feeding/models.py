"""Feeds: who was offered what, what was eaten, what was left. Intake: their sums by day."""

from datetime import date

from sqlalchemy import CheckConstraint, Index, PrimaryKeyConstraint, text
from sqlmodel import Field, SQLModel

from service.database import Instant

_NO_FISH = "outcome <> 'eaten'"


class Feed(SQLModel, table=True):
    """One animal, or one group, fed at one time. It stands as long as its movement does.

    Neither animal nor group: given to the public to feed. day: the site's civil day, by the
    zone it had when this was recorded. present: how many of a group were there.
    clock_corrected_s: what was added to the time that a device with a wrong clock had said.
    """

    __table_args__ = (
        Index("ix_feed_animal_id_occurred_at", "animal_id", "occurred_at"),
        Index("ix_feed_group_id_occurred_at", "group_id", "occurred_at"),
        Index("ix_feed_site_id_day", "site_id", "day"),
        Index(
            "ix_feed_without_eating",
            "animal_id",
            "day",
            sqlite_where=text(_NO_FISH),
            postgresql_where=text(_NO_FISH),
        ),
        CheckConstraint("animal_id IS NULL OR group_id IS NULL", name="one_eater"),
        CheckConstraint("(group_id IS NULL) = (present IS NULL)", name="present_of_a_group"),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    animal_id: int | None = Field(default=None, foreign_key="animal.id")
    group_id: int | None = Field(default=None, foreign_key="animal_group.id")
    present: int | None = None
    movement_id: int = Field(foreign_key="movement.id", unique=True)
    corrects_id: int | None = Field(default=None, foreign_key="feed.id", unique=True)
    kind: str
    outcome: str
    occurred_at: Instant
    day: date
    recorded_at: Instant
    clock_corrected_s: int = 0
    by: str
    appetite: str
    note: str | None = None


class FeedItem(SQLModel, table=True):
    """What was offered from one thaw batch, and what became of it.

    offered = eaten + left + cold (came back cold, still in its batch) + lost.
    """

    __tablename__ = "feed_item"
    __table_args__ = (
        CheckConstraint("offered_g = eaten_g + left_g + cold_g + lost_g", name="offered_adds_up"),
        CheckConstraint(
            "offered_g > 0 AND eaten_g >= 0 AND left_g >= 0 AND cold_g >= 0 AND lost_g >= 0",
            name="not_negative",
        ),
    )

    feed_id: int = Field(foreign_key="feed.id", primary_key=True)
    number: int = Field(primary_key=True)
    thaw_batch_id: int = Field(foreign_key="thaw_batch.id")
    lot_id: int = Field(foreign_key="lot.id", index=True)
    offered_g: int
    eaten_g: int
    left_g: int
    cold_g: int = 0
    lost_g: int = 0
    pieces_offered: int | None = None
    pieces_eaten: int | None = None


class FeedShare(SQLModel, table=True):
    """An animal that was there when its group was fed: one even part of it is taken to be its.

    number counts from 0. parts: how many were there, or may have been.
    """

    __tablename__ = "feed_share"

    feed_id: int = Field(foreign_key="feed.id", primary_key=True)
    number: int = Field(primary_key=True)
    parts: int
    animal_id: int = Field(foreign_key="animal.id", index=True)


class IntakeSums(SQLModel):
    """What came of one lot on one day, of feeds that stand.

    feeds: those whose first item was of this lot, so that a day's lots add up to its feeds.
    estimated_g: of eaten_g, what nobody saw this animal or group eat.
    """

    day: date
    lot_id: int = Field(foreign_key="lot.id")
    feeds: int
    offered_g: int
    eaten_g: int
    left_g: int
    cold_g: int
    lost_g: int
    estimated_g: int


class AnimalIntake(IntakeSums, table=True):
    """What an animal was given of a lot on a day, its shares of group feeds too."""

    __tablename__ = "animal_intake"
    __table_args__ = (
        PrimaryKeyConstraint("animal_id", "day", "lot_id"),
        {"sqlite_with_rowid": False},
    )

    animal_id: int = Field(foreign_key="animal.id")


class GroupIntake(IntakeSums, table=True):
    """What a group was given as a group of a lot on a day."""

    __tablename__ = "group_intake"
    __table_args__ = (
        PrimaryKeyConstraint("group_id", "day", "lot_id"),
        {"sqlite_with_rowid": False},
    )

    group_id: int = Field(foreign_key="animal_group.id")
