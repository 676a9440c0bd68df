"""Animals, their body mass, their diets."""

from datetime import date

from sqlalchemy import CheckConstraint
from sqlmodel import Field, SQLModel

from service.database import Instant


class Animal(SQLModel, table=True):
    """One animal that is fed by name."""

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    code: str = Field(unique=True)
    name: str
    taxon: str
    group_name: str
    sex: str
    born_on: date | None = None


class AnimalWeight(SQLModel, table=True):
    """What an animal weighed at an instant."""

    __tablename__ = "animal_weight"
    __table_args__ = (CheckConstraint("grams > 0", name="weight_more_than_nothing"),)

    id: int | None = Field(default=None, primary_key=True)
    animal_id: int = Field(foreign_key="animal.id", index=True)
    occurred_at: Instant
    recorded_at: Instant
    grams: int
    by: str


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
