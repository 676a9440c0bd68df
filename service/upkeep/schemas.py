"""Offsets, calibrations, comparisons, and probes with all that is known of them."""

from datetime import datetime
from typing import Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from service.http.bodies import Note, Occurrence, Reason
from service.probes.models import Calibration, ProbeConcern, ProbeOffset
from service.probes.rules import Method, ProbeKind, Remedy, Suggestion
from service.probes.schemas import FaultOut, ProbeOut, Since, StayOut, instant
from service.quantities import DifferenceIn, TemperatureIn, TemperatureOut, Units
from service.upkeep.rules import SUGGEST_A_FAULT, WHAT_TO_DO, ConcernKind


class OffsetIn(Since):
    """What is to be added to a probe's readings from an instant on."""

    offset: DifferenceIn
    reason: Reason


class CalibrationIn(Occurrence):
    """A probe held against something known."""

    method: Method
    reference: TemperatureIn | None = Field(
        default=None, description="What it should have read; at the ice point 0 °C."
    )
    measured: TemperatureIn = Field(description="What the probe itself showed.")
    apply_offset: bool = Field(
        default=False, description="Put the probe right from then on; asks for the right set-up."
    )
    note: Note = ""

    @model_validator(mode="after")
    def _has_a_reference(self) -> Self:
        if self.reference is None and self.method is not Method.ICE_POINT:
            raise ValueError("reference: say what the better thermometer read")
        return self

    @property
    def reference_c(self) -> float:
        """What it should have read, °C."""
        return 0.0 if self.reference is None else self.reference.c


class _Shown(BaseModel):
    model_config = ConfigDict(populate_by_name=True, serialize_by_alias=True)


class OffsetOut(_Shown):
    """What is added to a probe's raw readings from an instant on, until the next one."""

    id: int
    from_at: datetime = Field(alias="from")
    offset: TemperatureOut
    reason: str
    recorded_at: datetime
    by: str
    withdrawn_at: datetime | None
    withdrawn_by: str | None


class ProbeOffsetOut(OffsetOut):
    """An offset with the probe that it belongs to.

    hours_from: from when on the hours carry it, where the raw readings before are not kept
    any more: those hours stay as they were. None: all of them carry it.
    """

    probe: str
    hours_from: datetime | None


class CalibrationOut(BaseModel):
    """A calibration. offset: in force then; error: what it was off by, that offset added."""

    id: int
    calibrated_at: datetime
    method: Method
    reference: TemperatureOut
    measured: TemperatureOut
    offset: TemperatureOut
    error: TemperatureOut
    tolerance: TemperatureOut
    passed: bool
    note: str
    recorded_at: datetime
    by: str
    withdrawn_at: datetime | None
    withdrawn_by: str | None


class SuggestionOut(_Shown):
    """What might be done about a probe that failed; nothing is done until somebody decides."""

    remedy: Remedy
    from_at: datetime = Field(alias="from")
    offset: TemperatureOut | None
    because: str


class ProbeCalibrationOut(CalibrationOut):
    """A calibration with its probe, what it suggests, and when the next one is due."""

    probe: str
    due_at: datetime
    suggestions: list[SuggestionOut]


class LastReading(BaseModel):
    """A probe's newest reading, corrected, and how long ago it was."""

    at: datetime
    temperature: TemperatureOut
    seconds_ago: int


class ConcernOut(BaseModel):
    """What a probe wants looking at for. suggest_fault: it may be a fault since then."""

    kind: ConcernKind
    since: datetime
    because: str
    due_at: datetime | None = None
    what_to_do: str
    suggest_fault: bool


class DueOut(ConcernOut):
    """The same, with the probe and the place that it hangs in."""

    probe: str
    place: str | None


class ProbeShown(ProbeOut):
    """A thermometer with all that is known of it."""

    last_reading: LastReading | None
    calibration_due_at: datetime | None
    concerns: list[ConcernOut]
    stays: list[StayOut]
    offsets: list[OffsetOut]
    faults: list[FaultOut]
    calibrations: list[CalibrationOut]


class TrendOut(BaseModel):
    """A wandering in a month, and the range of it (95 %)."""

    per_month: TemperatureOut
    range: list[TemperatureOut]


class PairOut(BaseModel):
    """Two probes that hung in the place at the same time: first less second."""

    first: str
    second: str
    kinds: list[ProbeKind]
    hours: int
    days: int
    mean: TemperatureOut
    sd: TemperatureOut
    trend: TrendOut | None


class DriftOut(BaseModel):
    """A probe against the median of the others. flagged: it drifts beyond its class.

    With one other only, it may be either of the two.
    """

    probe: str
    against: list[str]
    hours: int
    days: int
    mean: TemperatureOut
    trend: TrendOut | None
    flagged: bool


class ComparisonOut(_Shown):
    """The probes of a place beside one another. allowed: over `window_days`, by their class."""

    place: str
    from_at: datetime = Field(alias="from")
    to_at: datetime = Field(alias="to")
    window_days: float
    allowed: TemperatureOut
    pairs: list[PairOut]
    drift: list[DriftOut]


def offset_out(row: ProbeOffset, units: Units) -> OffsetOut:
    """An offset as it is shown."""
    return OffsetOut(
        id=row.id or 0,
        from_at=instant(row.from_s),
        offset=units.difference_out(row.centi_c / 100),
        reason=row.reason,
        recorded_at=row.recorded_at,
        by=row.by,
        withdrawn_at=row.withdrawn_at,
        withdrawn_by=row.withdrawn_by,
    )


def calibration_out(row: Calibration, units: Units) -> CalibrationOut:
    """A calibration as it is shown."""
    return CalibrationOut(
        id=row.id or 0,
        calibrated_at=row.calibrated_at,
        method=Method(row.method),
        reference=units.temperature_out(row.reference_c),
        measured=units.temperature_out(row.measured_c),
        offset=units.difference_out(row.offset_c),
        error=units.difference_out(row.measured_c + row.offset_c - row.reference_c),
        tolerance=units.difference_out(row.tolerance_c),
        passed=row.passed,
        note=row.note,
        recorded_at=row.recorded_at,
        by=row.by,
        withdrawn_at=row.withdrawn_at,
        withdrawn_by=row.withdrawn_by,
    )


def suggestion_out(suggestion: Suggestion, units: Units) -> SuggestionOut:
    """A suggestion as it is shown."""
    offset = suggestion.offset_c
    return SuggestionOut(
        remedy=suggestion.remedy,
        from_at=suggestion.from_at,
        offset=None if offset is None else units.difference_out(offset),
        because=suggestion.because,
    )


def concern_out(
    kind: ConcernKind, from_s: int, because: str, due_at: datetime | None = None
) -> ConcernOut:
    """A concern as it is shown, with what to do."""
    return ConcernOut(
        kind=kind,
        since=instant(from_s),
        because=because,
        due_at=due_at,
        what_to_do=WHAT_TO_DO[kind],
        suggest_fault=kind in SUGGEST_A_FAULT,
    )


def stored_concern_out(row: ProbeConcern) -> ConcernOut:
    """What the daily look found, as it is shown."""
    return concern_out(ConcernKind(row.kind), row.from_s, row.because)
