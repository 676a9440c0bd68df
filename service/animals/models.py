"""Animals, the groups they are fed in, their body mass, stages of life and fasts."""

from datetime import date

from sqlalchemy import CheckConstraint, Index
from sqlmodel import Field, SQLModel

from service.database import Instant


class Animal(SQLModel, table=True):
    """One animal that is fed by name. gone_on: the first day on which it is not here any more."""

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    code: str = Field(unique=True)
    name: str
    taxon: str
    group_name: str
    sex: str
    born_on: date | None = None
    water: str | None = None
    gone_on: date | None = None
    gone_reason: str | None = None


class AnimalWeight(SQLModel, table=True):
    """What an animal weighed at an instant."""

    __tablename__ = "animal_weight"
    __table_args__ = (
        CheckConstraint("grams > 0", name="weight_more_than_nothing"),
        Index(None, "animal_id", "occurred_at"),
    )

    id: int | None = Field(default=None, primary_key=True)
    animal_id: int = Field(foreign_key="animal.id")
    occurred_at: Instant
    recorded_at: Instant
    grams: int
    by: str


class AnimalGroup(SQLModel, table=True):
    """Animals that are fed together: a pool, a colony, a rookery.

    unnamed: how many of them have no record of their own.
    """

    __tablename__ = "animal_group"
    __table_args__ = (CheckConstraint("unnamed >= 0", name="unnamed_not_negative"),)

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    code: str = Field(unique=True)
    name: str
    unnamed: int = 0


class GroupMembership(SQLModel, table=True):
    """An animal in a group, from an instant until another; station: where it waits for its fish."""

    __tablename__ = "group_membership"
    __table_args__ = (
        CheckConstraint("until_at IS NULL OR until_at > from_at", name="from_before_until"),
    )

    id: int | None = Field(default=None, primary_key=True)
    group_id: int = Field(foreign_key="animal_group.id", index=True)
    animal_id: int = Field(foreign_key="animal.id", index=True)
    station: str | None = None
    from_at: Instant
    until_at: Instant | None = None
    recorded_at: Instant
    by: str


class LifeStage(SQLModel, table=True):
    """A stage of an animal's life, both days included; open until it is ended.

    withdrawn_at: since when it is known never to have been.
    """

    __tablename__ = "life_stage"
    __table_args__ = (
        CheckConstraint("until_day IS NULL OR until_day >= from_day", name="from_before_until"),
    )

    id: int | None = Field(default=None, primary_key=True)
    animal_id: int = Field(foreign_key="animal.id", index=True)
    stage: str
    from_day: date
    until_day: date | None = None
    note: str | None = None
    withdrawn_at: Instant | None = None
    recorded_at: Instant
    by: str


class Fast(SQLModel, table=True):
    """Time in which an animal is not expected to eat, both days included, and down to what weight.

    ordered_by: the vet who answers for it. withdrawn_at: since when it is known never to have been.
    """

    __table_args__ = (
        CheckConstraint("until_day IS NULL OR until_day >= from_day", name="from_before_until"),
        CheckConstraint("floor_g IS NULL OR floor_g > 0", name="floor_more_than_nothing"),
    )

    id: int | None = Field(default=None, primary_key=True)
    animal_id: int = Field(foreign_key="animal.id", index=True)
    from_day: date
    until_day: date | None = None
    reason: str
    floor_g: int | None = None
    ordered_by: str
    withdrawn_at: Instant | None = None
    recorded_at: Instant
    by: str
