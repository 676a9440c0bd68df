"""Diets and what they hold; what stands in for what on a day, and what energy a day goes by."""

from datetime import date
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Column, Index
from sqlmodel import Field, SQLModel

from service.database import Instant


class Diet(SQLModel, table=True):
    """What an animal or a group gets per day, from a feed of a day on, until a later one.

    from_feed: the first of its feeds that it holds for on that day. feeds: when, which share,
    what for; none: feeds_per_day even ones. season: twelve monthly factors.
    """

    __table_args__ = (
        CheckConstraint("(animal_id IS NULL) <> (group_id IS NULL)", name="of_one_eater"),
        Index(None, "animal_id", "from_day"),
        Index(None, "group_id", "from_day"),
    )

    id: int | None = Field(default=None, primary_key=True)
    animal_id: int | None = Field(default=None, foreign_key="animal.id")
    group_id: int | None = Field(default=None, foreign_key="animal_group.id")
    from_day: date
    from_feed: int = 1
    feeds_per_day: int
    feeds: list[dict[str, Any]] | None = Field(
        default=None, sa_column=Column(JSON(none_as_null=True))
    )
    amounts_for: str
    total_by: str | None = None
    total: float | None = None
    season: list[float] | None = Field(default=None, sa_column=Column(JSON(none_as_null=True)))
    reason: str | None = None
    status: str
    decided_at: Instant | None = None
    decided_by: str | None = None
    decided_as: str | None = None
    decision_reason: str | None = None
    recorded_at: Instant
    by: str


class DietItem(SQLModel, table=True):
    """How much of one species a diet holds per day. A mass is whole grams."""

    __tablename__ = "diet_item"
    __table_args__ = (CheckConstraint("amount > 0", name="diet_item_more_than_nothing"),)

    diet_id: int = Field(foreign_key="diet.id", primary_key=True)
    species_code: str = Field(foreign_key="species.code", primary_key=True)
    amount_by: str
    amount: float
    minimum_g: int | None = None
    maximum_g: int | None = None
    size_grade: str | None = None
    substitutes: list[str] = Field(sa_column=Column(JSON, nullable=False))


class DaySubstitution(SQLModel, table=True):
    """A fish that stands in for another in the ration of a day, with the same energy."""

    __tablename__ = "day_substitution"
    __table_args__ = (
        CheckConstraint("(animal_id IS NULL) <> (group_id IS NULL)", name="of_one_eater"),
        CheckConstraint("grams > 0 AND substitute_g > 0", name="substitution_more_than_nothing"),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    day: date = Field(index=True)
    animal_id: int | None = Field(default=None, foreign_key="animal.id")
    group_id: int | None = Field(default=None, foreign_key="animal_group.id")
    species_code: str = Field(foreign_key="species.code")
    grams: int
    substitute_code: str = Field(foreign_key="species.code")
    substitute_g: int
    kcal: float
    reason: str
    recorded_at: Instant
    by: str
    withdrawn_at: Instant | None = None
    withdrawn_by: str | None = None


class DayEnergy(SQLModel, table=True):
    """What energy of a fish a day's rations go by, settled when the day was first planned.

    Else the need would change between plan and feed as lots are used up.
    """

    __tablename__ = "day_energy"

    site_id: int = Field(foreign_key="site.id", primary_key=True)
    day: date = Field(primary_key=True)
    species_code: str = Field(foreign_key="species.code", primary_key=True)
    kcal_per_kg: float
    lot_id: int | None = Field(default=None, foreign_key="lot.id")
    source: str
    recorded_at: Instant
