"""Thaw requests, pulls and thaw batches as they are sent and shown."""

from datetime import datetime
from typing import Self

from pydantic import BaseModel, Field, model_validator

from service.decisions import Finding
from service.http.bodies import Body, Code, Day, Moment, Number, Occurrence, Reason, Refusable
from service.quantities import MassIn, MassOut, TemperatureIn
from service.science.thaw_table import Until
from service.site.rules import PlaceKind
from service.thawing.rules.clocks import BatchState
from service.thawing.rules.times import Method


class ThawLineIn(Body):
    """How much of one species."""

    species: Code
    mass: MassIn


class ThawRequestIn(Occurrence):
    """Fish needed by a first feed: either lines, or a day whose need comes from the diets."""

    thaw_place: Code
    first_feed_at: Moment | None = None
    last_feed_at: Moment | None = None
    lines: list[ThawLineIn] | None = Field(default=None, min_length=1, max_length=60)
    day: Day | None = None

    @model_validator(mode="after")
    def _one_or_the_other(self) -> Self:
        if self.day is not None:
            if self.lines is not None:
                raise ValueError("give a day, or lines, not both")
        elif self.lines is None or self.first_feed_at is None or self.last_feed_at is None:
            raise ValueError("give a day, or lines with first_feed_at and last_feed_at")
        if self.first_feed_at and self.last_feed_at and self.last_feed_at < self.first_feed_at:
            raise ValueError("last_feed_at lies before first_feed_at")
        return self


class ThawTimeOut(BaseModel):
    """Hours until thawed, 10-90 % range, and how they came about."""

    hours: float
    range: tuple[float, float]
    method: Method
    steps: list[str]
    sources: list[str]


class PlannedPull(BaseModel):
    """One parcel to take from: how much, when to pull it, until when it may be fed."""

    lot: str
    species: str
    parcel: int
    from_place: str
    to_place: str
    form: str
    mass: MassOut
    cartons: int | None
    surplus: MassOut
    pull_not_before: datetime
    pull_not_after: datetime
    thawed_expected: datetime
    thawed_range: tuple[datetime, datetime]
    discard_after: datetime
    thaw: ThawTimeOut | None = None


class Shortage(BaseModel):
    """What no usable lot can give."""

    species: str
    mass: MassOut


class StageOut(BaseModel):
    """A part of a thaw: where, how far, and how long."""

    place_kind: PlaceKind
    until: Until
    hours: float
    range: tuple[float, float]


class AlternativeOut(BaseModel):
    """Another way to have the fish thawed in time; place_kind: where it ends."""

    form: str
    method: str
    place_kind: PlaceKind
    pulls: int
    feasible: bool
    short_by_h: float
    hours: float | None = None
    range: tuple[float, float] | None = None
    stages: list[StageOut] = []


class ThawRequestOut(BaseModel):
    """A plan: what to pull, when; the fish is reserved."""

    id: int
    thaw_place: str
    first_feed_at: datetime
    last_feed_at: datetime
    pulls: list[PlannedPull]
    shortages: list[Shortage]
    feasible: bool
    method: str
    alternatives: list[AlternativeOut]
    findings: list[Finding]
    cancelled_at: datetime | None = None


class CancelIn(Occurrence):
    """Nothing to say."""


class PullIn(Refusable):
    """Fish of one lot out of the freezer to thaw."""

    lot: Code
    from_place: Code
    to_place: Code
    mass: MassIn
    thaw_request: Number | None = None
    parcel: Number | None = None


class ThawBatchOut(BaseModel):
    """A thaw batch and its clock."""

    code: str
    lot: str
    species: str
    place: str | None
    mass: MassOut
    remaining: MassOut
    left_freezer_at: datetime
    thawed_at: datetime | None
    thawed_expected: datetime | None
    thawed_range: tuple[datetime, datetime] | None
    discard_after: datetime
    discard_after_estimated: bool
    clock: str
    state: BatchState


class PullOut(BaseModel):
    """A pull that was recorded."""

    thaw_batch: ThawBatchOut
    movement_id: int
    cartons: int | None
    breaches: list[Finding]
    findings: list[Finding]


class ThawedIn(Occurrence):
    """Found fully thawed, by thermometer or touch.

    not_yet_at: when it was last looked at and was not; from the two the site learns how
    long its thaws take.
    """

    not_yet_at: Moment | None = None


class DiscardIn(Refusable):
    """Fish of a thaw batch that is thrown away."""

    mass: MassIn
    reason: Reason


class PutBackIn(Refusable):
    """Fish of a thaw batch that is still hard frozen, back into a freezer."""

    mass: MassIn
    to_place: Code
    core_temperature: TemperatureIn | None = None


class BatchEventOut(BaseModel):
    """What happened to a thaw batch."""

    thaw_batch: ThawBatchOut
    movement_id: int
    breaches: list[Finding]
