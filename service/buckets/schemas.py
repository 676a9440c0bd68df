"""Buckets and medication orders as they are sent and shown."""

from datetime import date, datetime
from typing import Annotated, Self

from pydantic import BaseModel, Field, model_validator

from service.buckets.rules.pieces import PieceKind, PieceOutcome
from service.buckets.rules.states import BucketState, Where
from service.decisions import Finding
from service.feeding.rules import Appetite, FeedKind
from service.http.bodies import (
    Body,
    Code,
    Day,
    Moment,
    Name,
    Note,
    Number,
    Occurrence,
    Reason,
    Refusable,
)
from service.quantities import MassIn, MassOrNoneIn, MassOut

Count = Annotated[float, Field(gt=0, le=1000, multiple_of=0.5, allow_inf_nan=False)]
FeedNumber = Annotated[int, Field(ge=1, le=24)]
PieceNumber = Annotated[int, Field(ge=1, le=200)]


class BucketItemIn(Body):
    """Fish of one thaw batch."""

    thaw_batch: Code
    mass: MassIn


class PieceIn(Body):
    """Pieces to put into the fish: of a supplement by its plan, or of a medicine by its order."""

    plan: Number | None = None
    product: Code | None = Field(default=None, description="Of the plan; left out: its only one.")
    order: Number | None = None
    count: Count | None = Field(default=None, description="Left out: as planned or ordered.")
    batch: Name | None = Field(default=None, description="Batch or serial on the package.")
    fish: Code | None = Field(default=None, description="Left out: the best fish in it.")

    @model_validator(mode="after")
    def _plan_or_order(self) -> Self:
        if (self.plan is None) == (self.order is None):
            raise ValueError("name a plan or an order")
        if self.order is not None and self.product is not None:
            raise ValueError("product: belongs to a plan; an order says itself what it is of")
        return self


class BucketsIn(Refusable):
    """Buckets to make: all of a day (of one feed, animal or group), or one by hand."""

    site: Code | None = Field(default=None, description="With day. Left out: the only site.")
    day: Day | None = None
    number: FeedNumber | None = Field(default=None, description="Which feed of the day.")
    animal: Code | None = None
    group: Code | None = None
    feed_at: Moment | None = None
    items: list[BucketItemIn] | None = Field(default=None, min_length=1, max_length=60)
    kind: FeedKind = Field(default=FeedKind.MEAL, description="Of one by hand.")
    carries: list[PieceIn] = Field(default_factory=list, max_length=40)

    @model_validator(mode="after")
    def _a_day_or_one_by_hand(self) -> Self:
        if self.animal is not None and self.group is not None:
            raise ValueError("name an animal or a group, not both")
        if self.items is None:
            if self.day is None:
                raise ValueError("give a day, or items with feed_at and an animal or group")
            if self.carries or self.feed_at or self.already_done or self.override:
                raise ValueError("carries, feed_at, override and already_done go with items")
            return self
        if self.day is not None or self.feed_at is None:
            raise ValueError("items: give feed_at with them, and no day")
        if self.animal is None and self.group is None:
            raise ValueError("items: name the animal or group")
        batches = [item.thaw_batch for item in self.items]
        if len(set(batches)) != len(batches):
            raise ValueError("items: each thaw batch is named once")
        return self


class ScaleIn(Body):
    """What the scale shows after fish of a thaw batch was put on top of what was there."""

    thaw_batch: Code
    gross: MassIn


class WeighOutIn(Refusable):
    """A bucket on the scale: empty, and with each fish."""

    tare: MassOrNoneIn = Field(description="The empty bucket; zero where the scale was tared.")
    gross: MassIn | None = Field(default=None, description="With all fish, of one batch.")
    items: list[ScaleIn] | None = Field(default=None, min_length=1, max_length=60)
    where: Where = Field(default=Where.OUT, description="Where it stands from then on.")

    @model_validator(mode="after")
    def _one_or_the_other(self) -> Self:
        if (self.gross is None) == (self.items is None):
            raise ValueError("give gross, or items with the gross after each")
        batches = [item.thaw_batch for item in self.items or ()]
        if len(set(batches)) != len(batches):
            raise ValueError("items: each thaw batch is named once")
        return self


class StayIn(Occurrence):
    """Where a bucket stands from now on."""

    where: Where


class OutcomeIn(Body):
    """What became of a piece."""

    number: PieceNumber
    outcome: PieceOutcome
    note: Note | None = None


class OutcomesIn(Occurrence):
    """What became of pieces in a bucket."""

    carries: list[OutcomeIn] = Field(min_length=1, max_length=40)

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        _each_piece_once(self.carries)
        return self


class LeftIn(Body):
    """What of a thaw batch was left."""

    thaw_batch: Code
    left: MassOrNoneIn


class HowFed(Body):
    """How it went, beside the masses. present, animals: of a group."""

    appetite: Appetite = Appetite.NORMAL
    kind: FeedKind | None = Field(default=None, description="Left out: as the bucket was made.")
    present: Annotated[int, Field(ge=1, le=100_000)] | None = None
    animals: list[Code] | None = Field(default=None, min_length=1, max_length=2000)
    note: Note | None = None


class WeighBackIn(HowFed, Occurrence):
    """A bucket on the scale after its feed. It has happened: it is stored, with its breaches.

    `occurred_at` is when the animal was fed.
    """

    gross: MassOrNoneIn | None = Field(
        default=None, description="With what was left; with several fish shared in proportion."
    )
    left: list[LeftIn] | None = Field(default=None, min_length=1, max_length=60)
    not_fed: Reason | None = Field(
        default=None, description="Why nothing was offered; its fish is in its batches still."
    )
    carries: list[OutcomeIn] = Field(default_factory=list, max_length=40)

    @model_validator(mode="after")
    def _one_or_the_other(self) -> Self:
        if [self.gross, self.left, self.not_fed].count(None) != 2:
            raise ValueError("give gross, or left by thaw batch, or why nothing was offered")
        if self.not_fed is not None and self.carries:
            raise ValueError("carries: nothing was offered")
        _each_piece_once(self.carries)
        return self


def _each_piece_once(carries: list[OutcomeIn]) -> None:
    numbers = [each.number for each in carries]
    if len(set(numbers)) != len(numbers):
        raise ValueError("carries: each number is named once")


class EndIn(Occurrence):
    """That a bucket is given up, and why."""

    reason: Reason


class BucketItemOut(BaseModel):
    """Fish of one thaw batch in a bucket."""

    thaw_batch: str
    lot: str
    species: str
    planned: MassOut
    weighed: MassOut | None


class PieceOut(BaseModel):
    """Pieces in the fish of a bucket; outcome: None while nobody has said."""

    number: int
    animal: str
    kind: PieceKind
    item: str
    count: float
    batch: str | None
    fish: str | None
    plan: int | None
    order: int | None
    outcome: PieceOutcome | None


class OutOfColdOut(BaseModel):
    """How long it was out of the cold; used: the share of what is allowed, above 1 too long."""

    where: Where | None
    out_h: float
    iced_h: float
    used: float
    feed_by: datetime | None


class BucketOut(BaseModel):
    """A bucket: for whom, when, what is in it, and where it stands."""

    code: str
    animal: str | None
    group: str | None
    day: date
    number: int | None
    feed_at: datetime
    kind: FeedKind
    state: BucketState
    items: list[BucketItemOut]
    mass: MassOut
    tare: MassOut | None
    carries: list[PieceOut]
    medicated: bool
    out_of_cold: OutOfColdOut
    feed: int | None
    by: str


class NoFishOut(BaseModel):
    """Fish that a bucket should have and no thaw batch can give."""

    animal: str | None
    group: str | None
    feed_at: datetime
    species: str
    mass: MassOut


class BucketsOut(BaseModel):
    """Buckets that were made; shortages: what no thaw batch can give them."""

    items: list[BucketOut]
    shortages: list[NoFishOut]
    breaches: list[Finding]
    findings: list[Finding]


class BucketDone(BaseModel):
    """A bucket after something happened to it."""

    bucket: BucketOut
    breaches: list[Finding]
    findings: list[Finding]


class MedicationIn(Occurrence):
    """Medication that a vet orders for an animal."""

    animal: Code
    item: Name = Field(description="Medicine and strength, as on the package.")
    count: Count = Field(description="Pieces at a feed.")
    feeds_per_day: FeedNumber = 1
    fish: Code | None = Field(default=None, description="Species it goes into; left out: any.")
    from_day: Day
    until_day: Day
    instructions: Reason

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.until_day < self.from_day:
            raise ValueError("until_day: lies before from_day")
        return self


class MedicationOut(BaseModel):
    """A vet's order."""

    id: int
    animal: str
    item: str
    count: float
    feeds_per_day: int
    fish: str | None
    from_day: date
    until_day: date
    instructions: str
    ordered_by: str
    ordered_at: datetime
    stopped_at: datetime | None
    stopped_by: str | None
    stopped_reason: str | None
