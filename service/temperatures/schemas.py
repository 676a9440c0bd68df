"""Probes, readings and temperature series as they are sent and shown."""

from datetime import datetime

from pydantic import BaseModel, Field

from service.http.bodies import Code, Occurrence
from service.temperatures.rules import ExcursionKind, ProbeKind


class ProbeIn(Occurrence):
    """A thermometer to set up."""

    code: Code
    place: Code
    kind: ProbeKind = ProbeKind.AIR


class ProbeOut(BaseModel):
    """A thermometer."""

    code: str
    place: str
    kind: ProbeKind


class RejectedReading(BaseModel):
    """A row that was not stored, counted from 0, and why."""

    index: int
    reason: str


class ReadingsOut(BaseModel):
    """What became of the rows that were sent."""

    stored: int
    duplicates: int
    rejected: list[RejectedReading] = Field(default_factory=list)


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


class ExcursionOut(BaseModel):
    """A time during which a place was too warm for too long, or silent."""

    id: int
    place: str
    probe: str
    kind: ExcursionKind
    from_at: datetime
    ended_at: datetime | None
    limit_c: float | None
    peak_c: float | None
