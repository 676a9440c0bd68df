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


class TemperatureColumns(BaseModel):
    """The same steps as arrays of equal length; `at` in seconds since 1970."""

    at: list[int]
    mean_c: list[float]
    min_c: list[float]
    max_c: list[float]
    coverage: list[float]


class ProbeTime(BaseModel):
    """A time, and the probe whose readings are shown for it."""

    probe: str
    from_at: datetime = Field(alias="from")
    until: datetime


class FaultTime(BaseModel):
    """A time in which a probe was broken; open: it still is."""

    from_at: datetime = Field(alias="from")
    until: datetime | None
    reason: str


class SeriesOut(BaseModel):
    """What every series says of itself.

    probe: whose readings come last. step: seconds, or P1D, P1W, P1M of the site's
    calendar. notes: what is otherwise than was asked for, and why.
    """

    place: str
    probe: str | None
    step: int | str
    limit_c: float | None
    probes: list[ProbeTime]
    faults: list[FaultTime] = Field(default_factory=list)
    notes: list[str]


class TemperaturesOut(SeriesOut):
    """A series; steps that nobody measured are left out."""

    points: list[TemperaturePoint]


class TemperatureColumnsOut(SeriesOut):
    """A series by columns, for charts: less than half as long."""

    columns: TemperatureColumns


class SenderOut(BaseModel):
    """Somebody who has sent readings.

    clock_ahead_s: how far its clock is ahead, by its own word (measured) or, at least, by
    its newest reading: a device that sends late on purpose looks behind.
    """

    user: str
    probes: list[str]
    seen_at: datetime
    clock_ahead_s: int
    clock_measured: bool
    clock_wrong_since: datetime | None
