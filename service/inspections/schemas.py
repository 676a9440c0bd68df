"""Inspections as they are sent and shown."""

from datetime import datetime
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from service.decisions import Finding
from service.http.bodies import Body, Code, Note, Number, Occurrence, Reason, Refusable
from service.inspections.rules.cartons import Third
from service.inspections.rules.checklist import Answer, Purpose, Stage
from service.inspections.rules.outcome import Verdict
from service.lots.rules import ReceivedAs
from service.photos.schemas import PhotoHash
from service.quantities import TemperatureIn, TemperatureOut

CartonNumber = Annotated[int, Field(ge=1, le=10**9)]
ItemCode = Annotated[str, Field(min_length=1, max_length=40)]


class ItemOut(BaseModel):
    """One question: what to look at, and what each answer looks like."""

    item: str
    stage: Stage
    asked_of: list[ReceivedAs]
    look_at: str
    accept: str
    question: str
    reject: str
    source: str
    flag: str


class InspectionIn(Refusable):
    """A delivery, or one lot of it, is going to be looked through."""

    lot: Code | None = Field(default=None, description="Left out: every lot of the delivery.")
    purpose: Purpose | None = Field(
        default=None,
        description="Left out: what is due. More closely is always allowed; less needs an "
        "override of `sample-plan`.",
    )
    corrects: Number | None = Field(
        default=None, description="A signed inspection of this delivery that this one replaces."
    )


class AnswerIn(Body):
    """What was seen at one question."""

    item: ItemCode
    lot: Code | None = Field(default=None, description="Left out: of the whole load.")
    answer: Answer
    note: Note | None = None
    photos: list[PhotoHash] = Field(default_factory=list, max_length=20)


class CoreIn(Body):
    """The core temperature of one carton."""

    lot: Code | None = Field(default=None, description="Left out: the only lot.")
    carton: CartonNumber = Field(description="Counted from 1 at the front of the load.")
    temperature: TemperatureIn


class CountIn(Body):
    """How many cartons were opened and judged, and how many of them were defective."""

    lot: Code | None = Field(default=None, description="Left out: the only lot.")
    opened: CartonNumber
    defective: Annotated[int, Field(ge=0, le=10**9)]
    note: Note | None = None

    @model_validator(mode="after")
    def _not_more_than_opened(self) -> Self:
        if self.defective > self.opened:
            raise ValueError("defective: cannot be more than were opened")
        return self


class AnswersIn(Occurrence):
    """Anything seen, measured or counted so far; the rest may follow."""

    answers: list[AnswerIn] = Field(default_factory=list, max_length=1000)
    cores: list[CoreIn] = Field(default_factory=list, max_length=1000)
    counts: list[CountIn] = Field(default_factory=list, max_length=200)

    @model_validator(mode="after")
    def _something(self) -> Self:
        if not (self.answers or self.cores or self.counts):
            raise ValueError("give answers, cores or counts")
        return self


class LotVerdictIn(Body):
    """What becomes of one lot, where it is not what becomes of the others."""

    lot: Code
    decision: Verdict


class SignatureIn(Refusable):
    """Somebody decides and signs."""

    decision: Verdict
    reason: Reason
    lots: list[LotVerdictIn] = Field(
        default_factory=list, max_length=200, description="Lots that are decided otherwise."
    )

    @field_validator("already_done")
    @classmethod
    def _signed_now(cls, value: bool) -> bool:
        if value:
            raise ValueError("a signature is given, not reported")
        return value

    @model_validator(mode="after")
    def _each_lot_once(self) -> Self:
        codes = [each.lot for each in self.lots]
        if len(set(codes)) != len(codes):
            raise ValueError("lots: each lot is named once")
        return self


class AnswerOut(BaseModel):
    """An answer, and whether it counts: a newer one to the same question replaces it."""

    item: str
    lot: str | None
    answer: Answer
    note: str | None
    photos: list[str]
    occurred_at: datetime
    by: str
    counts: bool


class CoreOut(BaseModel):
    """A measured core, and whether it counts: a newer one of the same carton replaces it."""

    lot: str
    carton: int
    temperature: TemperatureOut
    occurred_at: datetime
    by: str
    counts: bool


class CountOut(BaseModel):
    """Opened and defective cartons, and whether it counts: a newer count replaces it."""

    lot: str
    opened: int
    defective: int
    note: str | None
    occurred_at: datetime
    by: str
    counts: bool


class CartonOut(BaseModel):
    """A carton to open, where it stands, and whether its core was measured."""

    carton: int
    third: Third
    measured: bool


class SampleOut(BaseModel):
    """How many cartons to open, how many may be defective, and which were drawn with what key."""

    size: int
    accept: int
    level: str | None
    key: str
    cartons: list[CartonOut]


class ReasonOut(BaseModel):
    """Why an outcome is proposed."""

    verdict: Verdict
    finding: Finding


class InspectedLot(BaseModel):
    """One lot of an inspection: what to open, what is open, what is proposed and why."""

    lot: str
    species: str
    received_as: ReceivedAs
    cartons: int
    sample: SampleOut | None
    answered: dict[str, Answer]
    open_items: list[str]
    proposed: Verdict
    reasons: list[ReasonOut]
    decided: Verdict | None


class SignatureOut(BaseModel):
    """Who decided what, when, and what the signature means."""

    model_config = ConfigDict(from_attributes=True)

    decision: Verdict
    proposed: Verdict
    lots: dict[str, Verdict]
    reason: str
    meaning: str
    signed_at: datetime
    by: str
    role: str


class InspectionOut(BaseModel):
    """An inspection as far as it has come."""

    id: int
    delivery: int
    supplier: str
    purpose: Purpose
    failures: int
    corrects: int | None
    opened_at: datetime
    by: str
    proposed: Verdict
    lots: list[InspectedLot]
    answers: list[AnswerOut]
    cores: list[CoreOut]
    counts: list[CountOut]
    signature: SignatureOut | None


class FailureOut(BaseModel):
    """An inspection that ended in hold or rejection."""

    inspection: int
    delivery: int
    decision: Verdict
    reason: str
    signed_at: datetime
    by: str


class SupplierRecord(BaseModel):
    """How a supplier's loads have been; corrected inspections are left out."""

    supplier: str
    accepted: int
    held: int
    rejected: int
    last_failures: list[FailureOut]
