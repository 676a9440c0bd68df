"""Watches as they are asked for and shown."""

from datetime import datetime
from typing import Annotated, Self

from pydantic import BaseModel, Field, model_validator

from service.feeding.rules import Appetite
from service.http.bodies import Code, Note, Occurrence, Reason
from service.quantities import MassOut
from service.watch_list.rules.hazards import Hazard, Sign
from service.watch_list.rules.rounds import RoundState

LONGEST_H = 720.0


class WatchIn(Occurrence):
    """Watch those who ate of a lot, or of one thaw batch of it."""

    lot: Code
    thaw_batch: Code | None = Field(default=None, description="Left out: all of the lot.")
    reason: Reason
    hazard: Hazard = Hazard.UNKNOWN
    hours: Annotated[float, Field(gt=0, le=LONGEST_H, allow_inf_nan=False)] | None = Field(
        default=None,
        description="How long after the last feed; left out: as the hazard or the site has it.",
    )


class ObservationIn(Occurrence):
    """One look at an animal, or at a group some of which has no name."""

    animal: Code | None = None
    group: Code | None = None
    signs: list[Sign] = Field(max_length=len(Sign), description="Empty: none was seen.")
    other: Note | None = Field(default=None, min_length=3, description="What else was seen.")
    appetite: Appetite | None = None

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.animal is None) == (self.group is None):
            raise ValueError("name one animal or one group")
        return self


class CloseIn(Occurrence):
    """A vet or manager ends a watch."""

    reason: Reason


class ObservationOut(BaseModel):
    """What somebody saw of one animal or group; no signs: none was seen."""

    id: int
    watch: int
    animal: str | None
    group: str | None
    signs: list[Sign]
    other: str | None
    appetite: Appetite | None
    occurred_at: datetime
    recorded_at: datetime
    by: str


class CauseOut(BaseModel):
    """Why a watch is kept."""

    assay: int | None
    withdrawn: bool = Field(description="The laboratory's result does not count any more.")
    hazards: list[Hazard]
    because: str
    added_at: datetime
    by: str


class ChangeOut(BaseModel):
    """What changed after a watch was opened."""

    kind: str
    because: str
    at: datetime
    by: str


class SignOut(BaseModel):
    """What to look for, when it shows as a rule, and where that is from."""

    hazard: Hazard
    sign: Sign
    says: str
    onset: str
    source: str
    note: str


class RoundOut(BaseModel):
    """One look of the grid, and what it was."""

    due_at: datetime
    state: RoundState
    at: datetime | None
    by: str | None
    signs: list[Sign]
    other: str | None
    appetite: Appetite | None


class WatchedOut(BaseModel):
    """One who ate of it: how much, when, and which looks were taken.

    may_have_eaten: all of it is its share of what its group ate. watched: no where it ate of
    it too long ago, where no watch of days shows anything, or where no feed of it stands.
    """

    animal: str | None
    group: str | None
    name: str
    present_unnamed: int = Field(description="How many of the group had no name.")
    feeds: int
    eaten: MassOut
    estimated: MassOut
    may_have_eaten: bool
    first_fed_at: datetime | None
    last_fed_at: datetime | None
    watched: bool
    until: datetime | None
    left_hours: float | None = Field(description="Until the last look is due; 0 where it is.")
    next_due_at: datetime | None
    overdue: int
    done: int
    missed: int
    signs: list[Sign]
    noticed: bool
    rounds: list[RoundOut]


class WatchSummary(BaseModel):
    """A watch in a list."""

    id: int
    site: str
    lot: str
    thaw_batch: str | None
    state: str
    hazards: list[Hazard]
    because: str
    note_only: bool = Field(description="Nobody is looked at in rounds: it is for the vet.")
    opened_at: datetime
    by: str
    hours: float
    round_h: float
    watched: int
    only_listed: int
    until: datetime | None
    left_hours: float | None
    next_due_at: datetime | None
    overdue: int
    noticed: list[str] = Field(description="Those of whom something was seen.")
    closing_proposed_at: datetime | None
    closed_at: datetime | None
    closed_by: str | None
    closed_because: str | None


class DoubtfulOut(BaseModel):
    """A lot that was eaten of lately and that something speaks against: the vet decides."""

    site: str
    lot: str
    eaten: MassOut
    first_fed_at: datetime
    last_fed_at: datetime
    because: list[str]


class WatchOut(WatchSummary):
    """A watch with everybody in it, what to look for, and every look."""

    cautions: list[str]
    causes: list[CauseOut]
    changes: list[ChangeOut]
    look_for: list[SignOut]
    items: list[WatchedOut]
