"""Assessments and decisions. Triggers refuse to change or delete them: a newer one counts."""

from typing import Any

from sqlalchemy import JSON, Column, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.database import Instant


class Assessment(SQLModel, table=True):
    """What was computed of an excursion at an instant, and from what.

    basis : a digest of everything that went in; another one means that it is stale.
    figures : the air, as `rules.figures` writes it, with its version.
    """

    __table_args__ = (UniqueConstraint("excursion_id", "number"),)

    id: int | None = Field(default=None, primary_key=True)
    excursion_id: int = Field(foreign_key="excursion.id", index=True)
    number: int
    excursion_revision: int
    basis: str
    until_at: Instant
    computed_at: Instant
    policy_version: int
    figures: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))


class AssessedFish(SQLModel, table=True):
    """What an excursion did to parcels of one lot that share their history.

    parcels : all that are as this one, with what was taken from them since.
    """

    __tablename__ = "assessed_fish"

    assessment_id: int = Field(foreign_key="assessment.id", primary_key=True)
    number: int = Field(primary_key=True)
    lot_id: int = Field(foreign_key="lot.id", index=True)
    parcels: list[int] = Field(sa_column=Column(JSON, nullable=False))
    grams: int
    worst_c: float
    figures: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))


class ExcursionDecision(SQLModel, table=True):
    """What somebody decided of the lots of an excursion, signed by name, instant and meaning.

    lots : by code, as `rules.deciding.Decided` is kept.
    """

    __tablename__ = "excursion_decision"

    id: int | None = Field(default=None, primary_key=True)
    excursion_id: int = Field(foreign_key="excursion.id", index=True)
    assessment_id: int | None = Field(default=None, foreign_key="assessment.id")
    lots: dict[str, dict[str, Any]] = Field(sa_column=Column(JSON, nullable=False))
    reason: str
    corrective_action: str
    meaning: str
    signed_at: Instant
    recorded_at: Instant
    by: str
    role: str
    policy_version: int
