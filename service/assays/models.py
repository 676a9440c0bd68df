"""Assays: what a laboratory reported of a sample, never changed; and what was withdrawn."""

from datetime import date
from typing import Any

from sqlalchemy import JSON, Column, Index, text
from sqlmodel import Field, SQLModel

import service.lots.models  # noqa: F401 - an assay is of a lot
from service.database import Instant


class Assay(SQLModel, table=True):
    """Laboratory results of one sample of a lot."""

    id: int | None = Field(default=None, primary_key=True)
    lot_id: int = Field(foreign_key="lot.id", index=True)
    sampled_on: date
    laboratory: str
    portion: str
    method: str | None = None
    sample_id: str | None = None
    reported_on: date | None = None
    findings: list[dict[str, Any]] | None = Field(default=None, sa_column=Column(JSON))
    recorded_at: Instant
    by: str


class AssayValue(SQLModel, table=True):
    """One nutrient of an assay: as reported, and as fed in the service's unit.

    Below a detection limit `reported` is that limit, `as_fed` half of it, and
    `limit_as_fed` all of it.
    """

    __tablename__ = "assay_value"

    assay_id: int = Field(foreign_key="assay.id", primary_key=True)
    nutrient: str = Field(primary_key=True)
    reported: float
    unit: str
    basis: str
    as_fed: float
    reported_text: str | None = None
    limit_as_fed: float | None = None
    replicates: int | None = None
    cv: float | None = None


class AssayTest(SQLModel, table=True):
    """One safety or freshness test of an assay: every figure as it was printed."""

    __tablename__ = "assay_test"
    __table_args__ = (
        Index(
            "ix_assay_test_failed",
            "assay_id",
            sqlite_where=text("verdict = 'reject'"),
            postgresql_where=text("verdict = 'reject'"),
        ),
    )

    assay_id: int = Field(foreign_key="assay.id", primary_key=True)
    test: str = Field(primary_key=True)
    unit: str
    reported: list[str] = Field(sa_column=Column(JSON, nullable=False))
    pooled: int
    verdict: str | None = None


class AssayWithdrawal(SQLModel, table=True):
    """An assay that does not count any more: the sample was another lot's, a digit was wrong."""

    __tablename__ = "assay_withdrawal"

    assay_id: int = Field(foreign_key="assay.id", primary_key=True)
    reason: str
    withdrawn_at: Instant
    by: str
