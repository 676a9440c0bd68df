"""Sheets that were printed, and which of their lines were entered.

Entries refuse update and delete by triggers: see the migration.
"""

from datetime import date
from typing import Any

from sqlalchemy import JSON, Column, Index
from sqlmodel import Field, SQLModel

from service.database import Instant


class FallbackSheet(SQLModel, table=True):
    """A day's feeds as they were printed; never altered: a new sheet has a new code."""

    __tablename__ = "fallback_sheet"
    __table_args__ = (Index("ix_fallback_sheet_site_id_day", "site_id", "day"),)

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(unique=True)
    site_id: int = Field(foreign_key="site.id")
    day: date
    document: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    recorded_at: Instant
    by: str


class SheetEntry(SQLModel, table=True):
    """A line of a sheet that was entered, and the bucket that it became."""

    __tablename__ = "sheet_entry"

    sheet_id: int = Field(foreign_key="fallback_sheet.id", primary_key=True)
    line: int = Field(primary_key=True)
    bucket_id: int = Field(foreign_key="bucket.id")
    not_fed: str | None = None
    initials: str | None = None
    digest: str
    recorded_at: Instant
    by: str
