"""Scheduled backups as they are shown."""

from datetime import datetime

from pydantic import BaseModel, ConfigDict, Field


class BackupOut(BaseModel):
    """A scheduled backup and whether it could be brought back."""

    model_config = ConfigDict(from_attributes=True)

    slot_at: datetime = Field(description="When it was due.")
    name: str | None
    bytes: int | None
    attempts: int
    finished_at: datetime | None
    verified_at: datetime | None = Field(
        description="When it was brought back whole; null: it is not known to be good."
    )
    problem: str | None
    removed_at: datetime | None = Field(description="When it gave way to newer ones.")
