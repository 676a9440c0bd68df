"""Readings and temperature series as they are sent and shown."""

from datetime import datetime

from pydantic import BaseModel, Field


class RejectedReading(BaseModel):
    """A row that was not stored, counted from 0, and why."""

    index: int
    reason: str


class ReadingsOut(BaseModel):
    """What became of the rows that were sent.

    clock_skew_s: how far the sender's clock is ahead, by its Device-Time.
    """

    stored: int
    duplicates: int
    rejected: list[RejectedReading] = Field(default_factory=list)
    clock_skew_s: int | None = None


class TemperaturePoint(BaseModel):
    """One step of a temperature series. coverage: measured share of the step, 0 to 1."""

    at: datetime
    mean_c: float
    min_c: float
    max_c: float
    coverage: float


class TemperaturesOut(BaseModel):
    """The series of a place; steps that nobody measured are left out."""

    place: str
    probe: str | None
    step: int
    limit_c: float | None
    points: list[TemperaturePoint]
