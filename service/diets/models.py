"""Diets and what they hold."""

from datetime import date

from sqlalchemy import CheckConstraint
from sqlmodel import Field, SQLModel

from service.database import Instant


class Diet(SQLModel, table=True):
    """What an animal gets per day, from a day on, until a later one."""

    id: int | None = Field(default=None, primary_key=True)
    animal_id: int = Field(foreign_key="animal.id", index=True)
    from_day: date
    feeds_per_day: int
    recorded_at: Instant
    by: str


class DietItem(SQLModel, table=True):
    """How much of one species a diet holds per day."""

    __tablename__ = "diet_item"
    __table_args__ = (CheckConstraint("grams > 0", name="diet_item_more_than_nothing"),)

    diet_id: int = Field(foreign_key="diet.id", primary_key=True)
    species_code: str = Field(foreign_key="species.code", primary_key=True)
    grams: int
