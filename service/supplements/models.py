"""Requirements, supplement plans, and what was given."""

from datetime import date
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Column, Index
from sqlmodel import Field, SQLModel

from service.database import Instant


class Requirement(SQLModel, table=True):
    """How much of a nutrient an animal, group or site should get or have added.

    In force from a day to another, both included; altered by ending only.
    """

    __table_args__ = (
        CheckConstraint("amount >= 0", name="amount_not_negative"),
        Index("ix_requirement_site_id_nutrient", "site_id", "nutrient"),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    scope: str
    group_name: str | None = None
    animal_id: int | None = Field(default=None, foreign_key="animal.id")
    species_code: str | None = None
    nutrient: str
    amount: float
    basis: str
    mode: str
    per: str
    cap_per_day: float | None = None
    limit_per_day: float | None = None
    limit_on: str
    source: str
    from_day: date
    until_day: date | None = None
    ended_reason: str | None = None
    ended_by: str | None = None
    recorded_at: Instant
    by: str


class SupplementPlan(SQLModel, table=True):
    """What to add for one animal from a day on (to another, where it says so); signed once."""

    __tablename__ = "supplement_plan"

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    animal_id: int = Field(foreign_key="animal.id", index=True)
    day: date
    until_day: date | None = None
    basis: str
    status: str
    document: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    recorded_at: Instant
    by: str
    signed_at: Instant | None = None
    signed_by: str | None = None
    signed_as: str | None = None


class SupplementGiven(SQLModel, table=True):
    """Pieces of one product that an animal was given on a day, under a plan."""

    __tablename__ = "supplement_given"
    __table_args__ = (
        CheckConstraint("count > 0", name="count_more_than_nothing"),
        Index("ix_supplement_given_animal_id_day", "animal_id", "day"),
    )

    id: int | None = Field(default=None, primary_key=True)
    plan_id: int = Field(foreign_key="supplement_plan.id")
    animal_id: int = Field(foreign_key="animal.id")
    product_id: int = Field(foreign_key="supplement_product.id")
    day: date
    count: float
    occurred_at: Instant
    recorded_at: Instant
    by: str
