"""Inspections: what was planned, answered, measured, counted and signed.

Answers, cores, counts and signatures are facts: triggers refuse to change or delete them.
"""

from sqlalchemy import JSON, Column
from sqlmodel import Field, SQLModel

from service.database import Instant


class Inspection(SQLModel, table=True):
    """One looking through a delivery, or through one lot of it."""

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    delivery_id: int = Field(foreign_key="delivery.id", index=True)
    purpose: str
    failures: int
    corrects_id: int | None = Field(default=None, foreign_key="inspection.id")
    opened_at: Instant
    recorded_at: Instant
    by: str
    policy_version: int


class InspectionLot(SQLModel, table=True):
    """A lot of an inspection, and which of its cartons are opened."""

    __tablename__ = "inspection_lot"

    inspection_id: int = Field(foreign_key="inspection.id", primary_key=True)
    lot_id: int = Field(foreign_key="lot.id", primary_key=True, index=True)
    cartons: int
    carton_g: int
    sample: int
    accept: int
    level: str | None = None
    key: str  # what the cartons were drawn with; the secret part is 128 random bits
    chosen: list[int] = Field(sa_column=Column(JSON, nullable=False))


class InspectionAnswer(SQLModel, table=True):
    """What was seen at one question, of one lot or of the whole load."""

    __tablename__ = "inspection_answer"

    id: int | None = Field(default=None, primary_key=True)
    inspection_id: int = Field(foreign_key="inspection.id", index=True)
    lot_id: int | None = Field(default=None, foreign_key="lot.id")
    item: str
    answer: str
    note: str | None = None
    photos: list[str] = Field(sa_column=Column(JSON, nullable=False))
    occurred_at: Instant
    recorded_at: Instant
    by: str


class InspectionCore(SQLModel, table=True):
    """The core temperature of one carton, as it was said."""

    __tablename__ = "inspection_core"

    id: int | None = Field(default=None, primary_key=True)
    inspection_id: int = Field(foreign_key="inspection.id", index=True)
    lot_id: int = Field(foreign_key="lot.id")
    carton: int
    value: str
    unit: str
    occurred_at: Instant
    recorded_at: Instant
    by: str


class InspectionCount(SQLModel, table=True):
    """So many cartons of a lot were opened; so many were defective."""

    __tablename__ = "inspection_count"

    id: int | None = Field(default=None, primary_key=True)
    inspection_id: int = Field(foreign_key="inspection.id", index=True)
    lot_id: int = Field(foreign_key="lot.id")
    opened: int
    defective: int
    note: str | None = None
    occurred_at: Instant
    recorded_at: Instant
    by: str


class InspectionSignature(SQLModel, table=True):
    """Somebody's decision, by name, instant and meaning; nothing changes after it."""

    __tablename__ = "inspection_signature"

    inspection_id: int = Field(foreign_key="inspection.id", primary_key=True)
    decision: str
    proposed: str
    lots: dict[str, str] = Field(sa_column=Column(JSON, nullable=False))
    reason: str
    meaning: str
    signed_at: Instant
    recorded_at: Instant
    by: str
    role: str
    policy_version: int
