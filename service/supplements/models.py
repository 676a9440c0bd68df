"""Requirements, supplement plans, and what was given."""

from datetime import date
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Column, Index
from sqlmodel import Field, SQLModel

import service.supplement_stock.models  # noqa: F401 - what was given is of a batch
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


class SupplementSignature(SQLModel, table=True):
    """That somebody entitled ordered one plan or many, what that means, and when."""

    __tablename__ = "supplement_signature"

    id: int | None = Field(default=None, primary_key=True)
    meaning: str
    signed_at: Instant
    signed_by: str
    signed_as: str
    recorded_at: Instant


class SupplementPlan(SQLModel, table=True):
    """What to add for one animal from a day on (to another, where it says so); signed once.

    Signing is its only change: triggers refuse all others. What ended it is a row of
    `SupplementOrderEnd`.
    """

    __tablename__ = "supplement_plan"
    __table_args__ = (Index("ix_supplement_plan_site_id_status", "site_id", "status"),)

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
    signature_id: int | None = Field(default=None, foreign_key="supplement_signature.id")


class SupplementOrderEnd(SQLModel, table=True):
    """From which day a signed plan does not hold, and why; never changed.

    until_day: the last day on which it does not hold; None where it has ended for good.
    differences: what had changed since it was signed, in words. next_plan_id: what took its
    place, or is proposed to.
    """

    __tablename__ = "supplement_order_end"

    id: int | None = Field(default=None, primary_key=True)
    plan_id: int = Field(foreign_key="supplement_plan.id", index=True)
    why: str
    from_day: date
    until_day: date | None = None
    differences: list[str] = Field(sa_column=Column(JSON, nullable=False))
    reason: str | None = None
    next_plan_id: int | None = Field(default=None, foreign_key="supplement_plan.id")
    ended_at: Instant
    recorded_at: Instant
    by: str


class SupplementGiven(SQLModel, table=True):
    """Pieces of one product and what became of them for an animal on a day, under a plan.

    batch: as the package says; batch_id: where it is in stock. bucket_id, piece: where it was put
    into a bucket's fish, numbers of a higher part. A fact is never changed: what is taken back is
    a row of `SupplementGivenReversal`.
    """

    __tablename__ = "supplement_given"
    __table_args__ = (
        CheckConstraint("count > 0", name="count_more_than_nothing"),
        Index("ix_supplement_given_animal_id_day", "animal_id", "day"),
        Index("ix_supplement_given_day", "day"),
    )

    id: int | None = Field(default=None, primary_key=True)
    plan_id: int = Field(foreign_key="supplement_plan.id")
    animal_id: int = Field(foreign_key="animal.id")
    product_id: int = Field(foreign_key="supplement_product.id")
    day: date
    count: float
    outcome: str = Field(default="given", sa_column_kwargs={"server_default": "given"})
    reason: str | None = None
    batch: str | None = None
    batch_id: int | None = Field(default=None, foreign_key="supplement_batch.id")
    bucket_id: int | None = None
    piece: int | None = None
    occurred_at: Instant
    recorded_at: Instant
    by: str


class SupplementGivenReversal(SQLModel, table=True):
    """That what was written down as given, or not given, was not so."""

    __tablename__ = "supplement_given_reversal"

    given_id: int = Field(primary_key=True, foreign_key="supplement_given.id")
    reason: str
    occurred_at: Instant
    recorded_at: Instant
    by: str
