"""Thaw requests, pulls and thaw batches as they are sent and shown."""

from datetime import date, datetime
from enum import StrEnum
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from service.decisions import Finding
from service.diets.schemas import SubstitutionProposal
from service.http.bodies import Body, Code, Day, Moment, Number, Occurrence, Reason, Refusable
from service.quantities import MassIn, MassOut, TemperatureIn, TemperatureOut
from service.science.thaw_table import Until
from service.site.rules import PlaceKind
from service.thawing.rules import looks as looking
from service.thawing.rules.clocks import BatchState
from service.thawing.rules.looks import Part, Thaw
from service.thawing.rules.times import Method

ScannedText = Annotated[str, Field(min_length=1, max_length=4296)]
"""What one code holds: no QR code holds more characters."""
ScannedTexts = Annotated[list[ScannedText], Field(min_length=1, max_length=20)]
"""All codes of one carton."""


class ThawLineIn(Body):
    """How much of one species."""

    species: Code
    mass: MassIn


class ExtraIn(ThawLineIn):
    """Fish beside the diets, and what for."""

    reason: Reason


class HowToThaw(StrEnum):
    """What may be planned.

    as_asked: in the place that was named, in one pull. best: where that cannot meet the
    clock, the first other way that can: several pulls over the day, stages, another place.
    """

    AS_ASKED = "as_asked"
    BEST = "best"


class ThawRequestIn(Occurrence):
    """Fish needed by a first feed: either lines, or a day whose need comes from the diets."""

    thaw_place: Code
    first_feed_at: Moment | None = None
    last_feed_at: Moment | None = None
    lines: list[ThawLineIn] | None = Field(default=None, min_length=1, max_length=60)
    day: Day | None = None
    extras: list[ExtraIn] = Field(
        default_factory=list, max_length=60, description="Beside the lines or the diets."
    )
    way: HowToThaw = HowToThaw.AS_ASKED

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


class PlannedStage(BaseModel):
    """A part of a planned thaw: where, how far, and when that should be so, 10-90 %."""

    place: str
    place_kind: PlaceKind
    until: Until
    begins_at: datetime
    ends_at: datetime
    ends_range: tuple[datetime, datetime]


class PlannedPull(BaseModel):
    """One parcel to take from: how much, when to pull it, until when it may be fed.

    to_place: where it goes from the freezer; the stages say where after that. serves_from,
    serves_until: the feeds that it is for. clock: the rule that it is judged by. pulled:
    what of it has left the freezer. surplus_shared: what of its surplus serves other requests.
    """

    number: int = 1
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
    serves_from: datetime | None = None
    serves_until: datetime | None = None
    way: str | None = None
    stages: list[PlannedStage] = []
    clock: str | None = None
    clock_hours: float | None = None
    late: bool = False
    pulled: MassOut | None = None
    thaw_batches: list[str] = []
    surplus_shared: MassOut | None = None


class Shortage(BaseModel):
    """What no usable lot can give."""

    species: str
    mass: MassOut


class WantedOut(BaseModel):
    """What is needed of a species, extras included."""

    species: str
    mass: MassOut
    extra: MassOut


class ExtraOut(BaseModel):
    """Fish beside the diets, and what for."""

    species: str
    mass: MassOut
    reason: str


class SharedOut(BaseModel):
    """What another request of the day has left over serves this one: no pull of its own.

    pull: its number in that request's plan. place: where it thaws.
    """

    thaw_request: int
    pull: int
    lot: str
    species: str
    mass: MassOut
    place: str
    thaw_batches: list[str]
    discard_after: datetime


class PlanChangeOut(BaseModel):
    """A plan that became another one: why, and what changed in words."""

    model_config = ConfigDict(from_attributes=True)

    recorded_at: datetime
    by: str
    why: str
    changes: list[str]


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
    day: date | None = None
    way: HowToThaw = HowToThaw.AS_ASKED
    need: list[WantedOut] = []
    extras: list[ExtraOut] = []
    shared: list[SharedOut] = []
    substitutions: list[SubstitutionProposal] = Field(
        default_factory=list,
        description="Other fish of the same energy for what is short; nothing changes until "
        "somebody accepts them.",
    )
    changes: list[PlanChangeOut] = []


class ReplanIn(Occurrence):
    """Plan again what is not pulled yet, from the fish and the diets that there are now.

    way left out: as before.
    """

    way: HowToThaw | None = None


class AcceptIn(Occurrence):
    """The substitutions that a plan proposes are made."""

    reason: Reason


class PullLine(BaseModel):
    """A line of a day's pull list. scan: the code on the cartons to take."""

    thaw_request: int
    pull: int
    pull_not_before: datetime
    pull_not_after: datetime
    late: bool
    from_place: str
    scan: str
    lot: str
    species: str
    name: str
    form: str
    mass: MassOut
    cartons: int | None
    pulled: MassOut
    done: bool
    to_place: str
    then: str | None
    thawed_expected: datetime
    discard_after: datetime


class CancelIn(Occurrence):
    """Nothing to say."""


class PullIn(Refusable):
    """Fish of one lot out of the freezer to thaw: the lot by its code, by its label, or both."""

    lot: Code | None = None
    scanned: ScannedText | ScannedTexts | None = Field(
        default=None,
        description="What a scanner read off a carton, ours or the supplier's: one code or all.",
    )
    from_place: Code
    to_place: Code
    mass: MassIn
    thaw_request: Number | None = None
    parcel: Number | None = None

    @model_validator(mode="after")
    def _names_its_lot(self) -> Self:
        if self.lot is None and not self.scanned:
            raise ValueError("lot: give it, or what was scanned")
        return self


class LookOut(BaseModel):
    """What somebody saw or measured of a thaw batch."""

    seen_at: datetime
    found: Thaw | None
    method: looking.Method | None
    part: Part | None
    temperature: TemperatureOut | None


class ThawBatchOut(BaseModel):
    """A thaw batch and its clock.

    mass: what came into it. split_from: the batch that it was a part of. to_discard: its clock
    has run out while it still holds fish.
    """

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
    to_discard: bool
    split_from: str | None
    part_thawed_at: datetime | None
    looks: list[LookOut]


class OutOfCartonsOut(BaseModel):
    """How single fish came out of its cartons: the opened one first, then whole ones, and what
    a newly opened one gave. By what cartons of the product weigh."""

    opened: MassOut
    whole: int
    newly_opened: MassOut


class PullOut(BaseModel):
    """A pull that was recorded. cartons: of blocks, which are pulled whole."""

    thaw_batch: ThawBatchOut
    movement_id: int
    cartons: int | None
    out_of_cartons: OutOfCartonsOut | None
    breaches: list[Finding]
    findings: list[Finding]


class FoundIn(Occurrence):
    """How somebody found out how far fish is. A core that was measured says so itself."""

    method: looking.Method | None = None
    core_temperature: TemperatureIn | None = None

    @model_validator(mode="after")
    def _of_one_kind(self) -> Self:
        if self.core_temperature is not None and self.method is looking.Method.TOUCH:
            raise ValueError("method: a core is measured by thermometer")
        return self


class ThawedIn(FoundIn):
    """Found fully thawed, by thermometer or touch.

    not_yet_at: when it was last looked at and was not; from the two the site learns how
    long its thaws take.
    """

    not_yet_at: Moment | None = None


class PartThawedIn(FoundIn):
    """Found part-thawed: it can be taken apart, and is still frozen inside."""


class BatchTemperatureIn(Occurrence):
    """A temperature taken by hand: in the core of the fish, at its surface, of water or air."""

    part: Part
    temperature: TemperatureIn


class DiscardIn(Refusable):
    """Fish of a thaw batch that is thrown away; mass left out: all that is left of it."""

    mass: MassIn | None = None
    reason: Reason


class DripIn(Refusable):
    """Water that has run off thawing fish, weighed."""

    mass: MassIn


class SplitIn(Refusable):
    """A part of a thaw batch under a label of its own; to_place: where that part goes."""

    mass: MassIn
    to_place: Code | None = None


class MoveBatchIn(Refusable):
    """All of a thaw batch goes to another place: the next stage of its thaw."""

    to_place: Code


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
    findings: list[Finding] = []


class SplitOut(BatchEventOut):
    """A part of a thaw batch has a label of its own. thaw_batch: that part; rest: the other."""

    rest: ThawBatchOut


class MeasuredOut(BaseModel):
    """A temperature that was taken of a thaw batch, and whether it was too warm."""

    thaw_batch: ThawBatchOut
    found: Thaw | None
    findings: list[Finding]
