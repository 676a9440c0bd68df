"""Assessments and decisions as they are sent and shown."""

from datetime import datetime
from typing import Annotated

from pydantic import BaseModel, Field, StringConstraints

from service.assessments.rules.figures import Air, Fish
from service.assessments.rules.judging import Choice
from service.checks.rules import Position
from service.checks.schemas import CheckOut
from service.decisions import Finding
from service.excursions.rules import ExcursionKind, ExcursionState
from service.http.bodies import Body, Code, Reason, Refusable
from service.quantities import MassOut, TemperatureOut
from service.security.rules import Role

CAUTIONS = (
    "Models estimate; a thermometer in the fish decides.",
    "The attending veterinarian decides on fish that may have been too warm.",
    "Spoiled or warmed fish can poison animals and people: histamine is destroyed neither by "
    "freezing nor by cooking.",
    "Local codes and licensed practice come first.",
)

CorrectiveAction = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=3, max_length=2000)
]


class LotDecisionIn(Body):
    """What becomes of one lot."""

    lot: Code
    decision: Choice


class DecisionIn(Refusable):
    """What becomes of the lots that were in an excursion; signed by sending it."""

    lots: list[LotDecisionIn] = Field(
        max_length=500, description="Empty only where no fish was there."
    )
    reason: Reason
    corrective_action: CorrectiveAction = Field(
        description="What was done about the cause, so that it does not happen again."
    )


class DecidedOut(BaseModel):
    """A decision on one lot. `holds` false: it was no more than a fact, or the fish became
    warmer since, and somebody has to decide again."""

    decision: Choice
    by: str
    role: Role
    signed_at: datetime
    holds: bool
    hold: int | None = Field(description="The hold that it placed.")
    next: str | None = None


class FishOut(BaseModel):
    """Fish of one lot that shares its history."""

    lot: str
    species: str
    product: str
    parcels: list[int]
    was_there: MassOut
    on_hand: MassOut
    may_release: list[Role]
    figures: Fish
    decided: DecidedOut | None


class ProbeOut(BaseModel):
    """A carton to probe by hand next, and what is settled with all up to it, as expected."""

    lot: str
    place: str
    position: Position
    where: str
    settles: MassOut
    settled: MassOut


class ProbingOut(BaseModel):
    """Which few cartons to probe to settle most of what is open."""

    open: MassOut
    cartons: list[ProbeOut]
    says: str


class AssessmentOut(BaseModel):
    """What an excursion did to the fish, lot by lot."""

    excursion: int
    place: str
    kind: ExcursionKind
    state: ExcursionState
    from_at: datetime
    ended_at: datetime | None
    number: int | None = Field(description="Of the stored assessment; null: just computed.")
    computed_at: datetime
    until_at: datetime
    limit: TemperatureOut
    air: Air
    fish: list[FishOut]
    probe_next: ProbingOut
    checks: list[CheckOut]
    undecided: list[str]
    cautions: list[str] = list(CAUTIONS)


class CheckDone(CheckOut):
    """A check that was recorded, and what it changes."""

    excursions: list[int] = Field(
        description="Undecided excursions whose assessment counts it at once."
    )


class DecisionOut(BaseModel):
    """A signed decision; nothing changes it, a newer one counts instead."""

    id: int
    excursion: int
    state: ExcursionState
    lots: dict[str, DecidedOut]
    undecided: list[str]
    reason: str
    corrective_action: str
    meaning: str
    by: str
    role: Role
    signed_at: datetime
    recorded_at: datetime
    breaches: list[Finding] = []
