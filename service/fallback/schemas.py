"""Sheets and their lines as they are shown, and what was written on them as it is entered."""

from datetime import date, datetime
from typing import Annotated, Self

from pydantic import BaseModel, Field, model_validator

from service.buckets.rules.pieces import PieceKind
from service.buckets.schemas import HowFed, OutcomeIn
from service.decisions import Finding
from service.feeding.schemas import FeedItemIn
from service.http.bodies import Body, Code, Day, Moment, Reason
from service.quantities import MassOut

Initials = Annotated[str, Field(min_length=1, max_length=20)]
LineNumber = Annotated[int, Field(ge=1, le=10_000)]
MOST_LINES = 500


class SheetIn(Body):
    """A sheet to be made. Left out: the only site."""

    day: Day
    site: Code | None = None


class FishDueOut(BaseModel):
    """Fish that is due at a feed; thaw_batch: where its bucket was made already."""

    species: str
    mass: MassOut
    thaw_batch: str | None


class PieceDueOut(BaseModel):
    """Pieces that go into the fish."""

    number: int
    animal: str
    kind: PieceKind
    item: str
    count: float
    fish: str | None
    meant: int | None = Field(
        default=None, description="The feed it was ordered for; the day does not have it."
    )


class ByHandOut(BaseModel):
    """Pieces of a supplement that are due and in the fish of no feed; given by hand.

    at: when, where they are given apart from the feeds. They come back under their plan, not
    with the sheet.
    """

    animal: str
    plan: int
    item: str
    count: float
    at: datetime | None
    how: str


class LineOut(BaseModel):
    """A feed of an animal or a group as it stands on the sheet; entered: it came back."""

    line: int
    feed_at: datetime
    animal: str | None
    group: str | None
    name: str
    station: str | None
    bucket: str | None
    fish: list[FishDueOut]
    carries: list[PieceDueOut]
    entered: bool


class SheetOut(BaseModel):
    """A sheet as it was printed."""

    code: str
    day: date
    recorded_at: datetime
    by: str
    lines: list[LineOut]
    by_hand: list[ByHandOut]
    fasting: dict[str, str]


class SheetShort(BaseModel):
    """A sheet in a list."""

    code: str
    day: date
    recorded_at: datetime
    by: str
    lines: int
    entered: int


class EntryIn(HowFed):
    """What was written on one line. fed_at left out: the time that was planned."""

    line: LineNumber
    fed_at: Moment | None = None
    items: list[FeedItemIn] = Field(default_factory=list, max_length=60)
    carries: list[OutcomeIn] = Field(default_factory=list, max_length=40)
    not_fed: Reason | None = Field(default=None, description="Why nothing was offered.")
    initials: Initials | None = None

    @model_validator(mode="after")
    def _fed_or_not(self) -> Self:
        if bool(self.items) == (self.not_fed is not None):
            raise ValueError("give items, or why nothing was offered")
        if self.not_fed is not None and self.carries:
            raise ValueError("carries: nothing was offered")
        numbers = [each.number for each in self.carries]
        if len(set(numbers)) != len(numbers):
            raise ValueError("carries: each number is named once")
        return self


class EntriesIn(Body):
    """What was written on a sheet. These are facts: they are stored, with their breaches."""

    lines: list[EntryIn] = Field(min_length=1, max_length=MOST_LINES)

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        numbers = [entry.line for entry in self.lines]
        if len(set(numbers)) != len(numbers):
            raise ValueError("lines: each line is named once")
        return self


class EntryOut(BaseModel):
    """A line that was entered: its bucket and feed, and what it breaches."""

    line: int
    bucket: str | None
    feed: int | None
    breaches: list[Finding]


class BeforeOut(BaseModel):
    """A line that was recorded before, from the sheet or on a tablet; nothing was stored again.

    same: whether this time the same was sent. What differs is corrected at the feed.
    """

    line: int
    bucket: str | None
    feed: int | None
    same: bool


class EntriesOut(BaseModel):
    """What became of the lines of a sheet."""

    sheet: str
    stored: list[EntryOut]
    before: list[BeforeOut]
